"""`benchwarden audit`: verifies the chain of the audit, and shows its newest rows."""

from __future__ import annotations

import argparse
from typing import Any

BROKEN = 1


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "audit",
        help="verify the record of all changes",
        description="Verifies that no row was changed, taken out or put in, and shows the hash of "
        "the newest row. Noted elsewhere it proves later (--head) that no rows were cut off. "
        "Exits 0 when the chain is whole, 1 when it is broken.",
    )
    command.add_argument("--head", metavar="HASH", help="a hash noted earlier: is it still there?")
    command.add_argument("--last", type=int, default=0, metavar="N", help="show so many of the newest rows")
    command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0 whole, 1 broken."""
    from dataclasses import asdict

    from service.access.audit import Audit
    from service.cli.say import complain, print_json, say
    from service.database import Database
    from service.settings import read_settings

    settings = read_settings({"data": arguments.data, "database": arguments.database})
    audit = Audit(Database(settings.database_url))
    found = audit.verify(arguments.head)
    rows = audit.page(None, arguments.last)[0] if arguments.last > 0 else []
    if arguments.json:
        last = [{**asdict(row), "sha256": row.sha256} for row in rows]
        print_json({**asdict(found), "whole": found.broken_at is None, "last": last})
    else:
        for row in reversed(rows):
            say(f"{row.number}  {row.at}  {row.who}  {row.what}  {row.subject}  {row.address}  {row.outcome}")
        if found.broken_at is None:
            say(f"the audit is whole: {found.rows} rows, the newest has the hash {found.head}")
    if found.broken_at is not None:
        complain(f"the audit is broken at row {found.broken_at}: {found.because}")
        return BROKEN
    return 0
