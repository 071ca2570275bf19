"""What the commands of the room share: which data, and who does it."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from service.room.baselines import Baselines
    from service.room.inventory import Inventory
    from service.room.presence import Presence
    from service.room.room import Room
    from service.wiring import Wiring

    Part = TypeVar("Part", Inventory, Presence, Baselines)


def wiring(arguments: argparse.Namespace) -> Wiring:
    """The parts of a service that never starts. Raises BadStationsFile, BadSettings."""
    from service.cli.say import log_to_stderr
    from service.settings import read_settings
    from service.wiring import build

    log_to_stderr(everything=False)
    given = {name: getattr(arguments, name) for name in ("stations", "data", "database")}
    return build(read_settings(given))


def room(arguments: argparse.Namespace) -> Room:
    """As `wiring`."""
    return wiring(arguments).room


def noted(part: Part, what: str, subject: str, **details: str | None) -> Part:
    """A part of the room whose next change goes into the audit together with a row about the command."""
    from service.access.written_down import WrittenDown

    return replace(part, database=WrittenDown(part.database, what, subject, details, part.clock))


def who(arguments: argparse.Namespace) -> str:
    """Who does it, in the log."""
    given: str | None = arguments.who
    if given:
        return given[:100]
    from service.room.presence import person_here

    return person_here().removeprefix("user:")


def write_page(path: Path, page: str) -> None:
    """A page to a file. StoreFailed."""
    from service.errors import StoreFailed

    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise StoreFailed(f"{path} could not be written: {error.strerror}") from error
