"""The lines of a trace file, and what its header says of them."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from service.errors import BadCaptureFile

HEADER = "time_s,ch1_v,ch2_v"


@dataclass(frozen=True)
class Header:
    """Which columns are read, the time first, of how many; `rest` is what follows the header."""

    channels: tuple[str, ...]
    columns: tuple[int, ...]
    width: int
    rest: bytes


class CsvText:
    """The lines of the file without comments and blank ones, and where they stand in the file."""

    def __init__(self, data: bytes, name: str) -> None:
        if b"\0" in data[:4096]:
            raise BadCaptureFile(f"{name} is not a text file")
        self.name = name
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(b'"', b"")
        lead, at = _lead(data)
        self.comments = tuple(t.lstrip("# ") for t in lead if t.startswith("#"))
        self.skipped = len(lead)
        self.body = data[at:]
        self.simple = b"#" not in self.body and b"\n\n" not in self.body

    def lines(self) -> Iterator[tuple[int, str]]:
        """(number in the file, text) of each line that holds data, header included."""
        for number, line in enumerate(self.body.decode("utf-8", "replace").split("\n"), self.skipped + 1):
            if line.strip() and not line.lstrip().startswith("#"):
                yield number, line

    def wrong(self, number: int, what: str) -> BadCaptureFile:
        return BadCaptureFile(f"{self.name}, line {number}: {what}")


def _lead(data: bytes) -> tuple[list[str], int]:
    """Comment and blank lines at the head, and where the rest begins."""
    lead: list[str] = []
    at = 0
    while at < len(data):
        end = data.find(b"\n", at)
        line = data[at : end if end >= 0 else len(data)]
        if line.strip() and not line.lstrip().startswith(b"#"):
            break
        lead.append(line.decode("utf-8", "replace").strip())
        at = end + 1 if end >= 0 else len(data)
    return lead, at


def usual_header(text: CsvText) -> Header:
    """`time_s,ch1_v,ch2_v`: the time first, a column for each channel. BadCaptureFile."""
    fields, rest = _fields(text)
    good = fields[0].lower() == "time_s" and all(
        re.fullmatch(r"[^\s,]+_v", f, re.IGNORECASE) for f in fields[1:]
    )
    if not good or len(fields) < 2:
        raise text.wrong(
            text.skipped + 1,
            f"the header {HEADER} is expected (further channels allowed), found {_shown(fields)}; with other "
            "names say which column holds the time (time column) and which the lines",
        )
    channels = tuple(f[:-2] for f in fields[1:])
    if len(set(channels)) < len(channels):
        raise text.wrong(text.skipped + 1, f"a channel is named twice: {_shown(fields)}")
    return Header(channels, tuple(range(len(fields))), len(fields), rest)


def named_header(text: CsvText, time_column: str, wanted: Collection[str]) -> Header:
    """Any names: `time_column` holds seconds, the `wanted` columns volts, all others may hold anything.

    BadCaptureFile names the columns that there are.
    """
    fields, rest = _fields(text)
    time = _place(text, fields, time_column)
    channels = tuple(dict.fromkeys(fields[_place(text, fields, name)] for name in wanted))
    if fields[time] in channels:
        raise text.wrong(text.skipped + 1, f"column {time_column!r} cannot be the time and a line as well")
    places = (time, *(fields.index(name) for name in channels))
    return Header(channels, places, len(fields), rest)


def _place(text: CsvText, fields: list[str], name: str) -> int:
    """Of the column of that name: as it stands there, else without regard to capitals and a `_v`."""
    exact = [at for at, field in enumerate(fields) if field == name]
    alike = [at for at, field in enumerate(fields) if _bare(field) == _bare(name)]
    found = exact or alike
    if len(found) != 1:
        how = "no column" if not found else "more than one column"
        raise text.wrong(text.skipped + 1, f"there is {how} {name!r}, the header has {', '.join(fields)}")
    return found[0]


def _bare(name: str) -> str:
    return name.strip().casefold().removesuffix("_v")


def _shown(fields: list[str]) -> str:
    return repr(",".join(fields)[:60])


def _fields(text: CsvText) -> tuple[list[str], bytes]:
    """Names of the columns and the rest of the body."""
    line, _, rest = text.body.partition(b"\n")
    if not line.strip():
        raise BadCaptureFile(f"{text.name} is empty: the header {HEADER} is expected")
    shown = line.decode("utf-8", "replace").strip()
    for sign, called in ((";", "semicolons"), ("\t", "tabs")):
        if sign in shown and "," not in shown:
            raise text.wrong(
                text.skipped + 1,
                f"the columns are separated by {called}; export with commas between columns and points as "
                f"decimals (header {HEADER})",
            )
    return [f.strip() for f in shown.split(",")], rest
