"""Files that appear with all of their content, or not at all, even if the power goes."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

from service.errors import BadSettings

Place = Callable[[str, str], None]
"""Gives a finished temporary file its name: `os.replace`, or `os.link`, which refuses to overwrite."""

HALF_WRITTEN = ".*.part"
"""What a program leaves behind that was killed while it wrote."""


def write_whole(path: Path, content: bytes, *, place: Place | None = None) -> None:
    """Write so that the name appears with all of its content, or not at all, even if the power goes.

    `place` None refuses to overwrite (FileExistsError). Source of the order of steps: the POSIX rule that
    rename is atomic, and that only fsync of file, then of folder, makes it last.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with open(temporary, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        (place or os.link)(str(temporary), str(path))
    finally:
        temporary.unlink(missing_ok=True)
    sync_folder(path.parent)


def made_folder(folder: Path) -> None:
    """Make a folder of ours, with those above it. BadSettings: the disk does not let us, and why."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadSettings(
            f"the folder {folder} cannot be made: {error.strerror}; name another one with --data"
        ) from None


def sync_folder(folder: Path) -> None:
    """Make names in the folder last; systems that cannot open folders keep names by themselves."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
