"""What the commands of the room share: which data, and who does it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.room.room import Room
    from service.wiring import Wiring


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
