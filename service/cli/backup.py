"""`benchwarden backup FILE` and `benchwarden restore FILE`: everything in one file, and back."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """Both commands with their options."""
    for name, run, about in (
        ("backup", run_backup, "Writes all runs, captures, reports and schedules into one tar file. The "
         "service may go on meanwhile."),
        ("restore", run_restore, "Restores a backup into an empty database and an empty data folder, on "
         "SQLite or PostgreSQL, whichever it came from. Start the service afterwards."),
    ):  # fmt: skip
        command: argparse.ArgumentParser = commands.add_parser(
            name, help=f"{name} all data", description=about
        )
        command.add_argument("file", metavar="FILE", type=Path)
        command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
        command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
        command.add_argument("--json", action="store_true", help="print the counts as JSON")
        command.set_defaults(run=run)


def run_backup(arguments: argparse.Namespace) -> int:
    """0 when the file is whole."""
    from service.backup import write_backup
    from service.store import RunStore

    database, folder = _place(arguments)
    return _told(arguments, write_backup(RunStore(database, folder), arguments.file), "backed up")


def run_restore(arguments: argparse.Namespace) -> int:
    """0 when all is back."""
    from service.backup import read_backup

    database, folder = _place(arguments)
    return _told(arguments, read_backup(arguments.file, database, folder), "restored")


def _place(arguments: argparse.Namespace) -> tuple[Any, Path]:
    from service.database import Database
    from service.settings import read_settings

    settings = read_settings({"data": arguments.data, "database": arguments.database})
    return Database(settings.database_url), settings.data


def _told(arguments: argparse.Namespace, counts: dict[str, int], word: str) -> int:
    from service.cli.say import print_json, say

    if arguments.json:
        print_json(counts)
    else:
        say(f"{word}: {counts['rows']} rows, {counts['files']} files")
    return 0
