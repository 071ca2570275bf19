"""Runs of a morning for the tests of the store, and what may befall a file while it is written."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.run_record import Run, new_run, timestamp

START = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)


AT = timestamp(START)


def make(n: int = 0, station: str = "north-1", **more: Any) -> Run:
    """The nth run of a morning."""
    run = new_run("echo-test", station, {"payload_hex": "41"}, START + timedelta(minutes=n), origin="service")
    return replace(run, **more)


class PowerCut(BaseException):
    """Not an error that anybody handles: the machine is gone."""


def cut(_source: str, _target: str) -> None:
    raise PowerCut


def refuse(_source: str, _target: str) -> None:
    raise OSError(28, "No space left on device")


def files(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())
