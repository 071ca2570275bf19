"""`benchwarden token make|list|revoke`: who may come in. Works on the database, beside a running service."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.access.access import Access
    from service.access.tokens import Token


def add(commands: Any) -> None:
    """The command with its three verbs."""
    command: argparse.ArgumentParser = commands.add_parser(
        "token",
        help="make, list and revoke tokens",
        description="Tokens say who makes a request. As soon as there is one, nobody without is answered.",
    )
    verbs = command.add_subparsers(title="verbs", required=True, metavar="VERB")
    make = _verb(verbs, "make", run_make, "make a token and show it, once")
    make.add_argument("name", metavar="NAME", help="whose, or what for")
    make.add_argument("--role", required=True, help="viewer, submitter, operator, grader or admin")
    make.add_argument("--stations", metavar="A,B", help='names or patterns such as "north-*" (all)')
    make.add_argument("--days", type=float, metavar="N", help="how long it lives (until it is revoked)")
    _verb(verbs, "list", run_list, "list all tokens; their secrets are kept nowhere")
    revoke = _verb(verbs, "revoke", run_revoke, "end a token and the sessions made with it")
    revoke.add_argument("id", metavar="ID", help="as the list shows it")


def _verb(verbs: Any, name: str, run: Any, about: str) -> argparse.ArgumentParser:
    verb: argparse.ArgumentParser = verbs.add_parser(name, help=about, description=about.capitalize() + ".")
    verb.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    verb.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    verb.add_argument("--json", action="store_true", help="print one JSON document")
    verb.set_defaults(run=run)
    return verb


def run_make(arguments: argparse.Namespace) -> int:
    """0; the token stands alone on standard output, words about it on standard error."""
    import sys

    from service.access.command import made_by
    from service.cli.say import print_json, say

    access = _access(arguments)
    stations = [s.strip() for s in arguments.stations.split(",")] if arguments.stations is not None else None
    token, secret = access.tokens.make(
        arguments.name, arguments.role, stations=stations, days=arguments.days, by=made_by()
    )
    access.audit.add(made_by(), "token make", token.id, name=token.name, role=token.role)
    if arguments.json:
        print_json({**_shown(token, access), "token": secret})
    else:
        say(
            f"token {token.id} for {token.name}, {token.role}. It is shown this once, write it down:",
            sys.stderr,
        )
        say(secret)
    return 0


def run_list(arguments: argparse.Namespace) -> int:
    """0."""
    from service.cli.say import print_json, say

    access = _access(arguments)
    shown = [_shown(token, access) for token in access.tokens.all()]
    if arguments.json:
        print_json({"tokens": shown})
        return 0
    if not shown:
        say("no tokens: on loopback everybody on this machine may do everything")
    for row in shown:
        reach = ", ".join(row["stations"] or ["all stations"])
        say(f"{row['id']}  {row['role']:9}  {row['name']}  ({reach}; made {row['made_at'][:10]}; "
            f"last used {row['used_on'] or 'never'}; {row['state']})")  # fmt: skip
    return 0


def run_revoke(arguments: argparse.Namespace) -> int:
    """0, also when it was revoked before; 2 when there is none."""
    from service.access.command import made_by
    from service.cli.say import print_json, say

    access = _access(arguments)
    token = access.tokens.revoke(arguments.id)
    access.audit.add(made_by(), "token revoke", token.id, name=token.name, role=token.role)
    if arguments.json:
        print_json(_shown(token, access))
    else:
        say(f"token {token.id} of {token.name} opens nothing any more")
    return 0


def _access(arguments: argparse.Namespace) -> Access:
    from service.access.access import Access
    from service.database import Database
    from service.settings import read_settings

    settings = read_settings({"data": arguments.data, "database": arguments.database})
    return Access(Database(settings.database_url))


def _shown(token: Token, access: Access) -> dict[str, Any]:
    values = {name: value for name, value in vars(token).items() if name not in ("kind", "parent")}
    stations = None if token.stations is None else list(token.stations)
    return {**values, "stations": stations, "state": token.why_dead(access.tokens.now) or "alive"}
