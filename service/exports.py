"""A kept capture in other forms: volts as CSV, the two lines as logic levels in a VCD."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from drivers.scope.capture import Capture
from service.files.csv_trace import capture_to_csv
from service.files.npz import read_capture
from service.files.vcd import vcd_of_lines
from service.pipeline.reading import read_line
from service.shots import trace_of
from service.stations import Station


def capture_as(form: str, path: Path, station: Station | None) -> tuple[Iterable[bytes], str]:
    """The capture's file in the named form of FORMS, in pieces, and its media type.

    `station` says how to read the lines; without it (it may have left the stations file) they are read blind.

    Raises:
        BadCaptureFile: the kept file was changed or damaged.
    """
    write, media_type = FORMS[form]
    return write(read_capture(path), station), media_type


def _csv(capture: Capture, _station: Station | None) -> Iterable[bytes]:
    return capture_to_csv(capture)


def _vcd(capture: Capture, station: Station | None) -> Iterable[bytes]:
    lines = {}
    for trace in (trace_of(record, capture) for record in capture.channels):
        if station is None:
            lines[trace.channel] = read_line(trace)
        else:
            lines[trace.channel] = read_line(
                trace, baud=station.baud, frame=station.frame, logic=station.logic
            )
    yield vcd_of_lines(lines, date=capture.taken_at).encode("utf-8")


FORMS: dict[str, tuple[Callable[[Capture, Station | None], Iterable[bytes]], str]] = {
    "csv": (_csv, "text/csv; charset=utf-8; header=present"),
    "vcd": (_vcd, "text/plain; charset=utf-8"),
}
