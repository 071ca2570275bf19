"""A saved capture judged with no hardware: what `benchwarden analyze` and `POST /analyses` both do.

Imports numpy-only parts, and no pathlib, which costs a tenth of numpy's own start; the template engine of the
report is loaded by whoever asks for a report.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drivers.scope.capture import Capture
from service.errors import BadCaptureFile, BadInput
from service.pipeline.chain import judge
from service.pipeline.document import result_document
from service.pipeline.expectation import LOGIC_FAMILIES, Accuracy, Expectation
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot
from service.report.meta import ReportMeta, instrument_facts, settings_facts
from service.shots import channel_label, shot_of

if TYPE_CHECKING:
    from service.files.csv_trace import TraceTable

ZIP_START = b"PK"
"""An NPZ file is a ZIP archive; a CSV file with a header never begins so."""


@dataclass(frozen=True)
class AnalysisOptions:
    """What is known about the capture; None = found from the record itself."""

    sent: bytes | None = None
    baud: float | None = None
    frame: FrameFormat | None = None
    logic: str | None = None
    to_target: str = "ch1"
    """As people name a channel ("ch1"), as a file names its column ("ch1_v"), or as the scope does ("1")."""
    from_target: str = "ch2"
    timebase_ppm: float | None = None
    """None: 25 is assumed, and the result says so."""
    time_column: str | None = None
    """Of a CSV file whose columns have names of its own: the one that holds seconds."""

    def __post_init__(self) -> None:
        if self.baud is not None and not 0 < self.baud < 1e10:
            raise BadInput(f"baud must be a bit rate above 0 and below 1e10 Bd, was {self.baud:g}")
        if self.timebase_ppm is not None and not 0 <= self.timebase_ppm < 1e6:
            raise BadInput(f"timebase_ppm must lie from 0 to a million, was {self.timebase_ppm:g}")
        if self.logic is not None and self.logic not in LOGIC_FAMILIES:
            raise BadInput(f"logic must be one of {', '.join(LOGIC_FAMILIES)}, was {self.logic!r}")


@dataclass(frozen=True, eq=False)
class Analysis:
    """The result document with what a report needs beside it."""

    document: dict[str, Any]
    shots: tuple[Shot, ...]
    meta: ReportMeta


def analyse_file(path: str, options: AnalysisOptions) -> Analysis:
    """Judge a CSV or NPZ file.

    Raises:
        BadCaptureFile: it cannot be opened or read; says what is wrong and where.
    """
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError as error:
        raise BadCaptureFile(f"cannot read {path}: {error.strerror}") from None
    return analyse(data, os.path.basename(path), options)


def analyse(data: bytes, name: str, options: AnalysisOptions) -> Analysis:
    """Judge a file's content; `name` stands in errors and in the report. BadCaptureFile."""
    if data.startswith(ZIP_START):
        from service.files.npz import capture_from_bytes

        if options.time_column is not None:
            raise BadInput(f"a time column is for CSV files, {name} knows its own times")
        capture = capture_from_bytes(data, name)
        shot, meta = _shot_of_capture(capture, name, options), _meta_of_capture(capture, name, options)
    else:
        from service.files.csv_trace import parse_csv

        wanted = (options.to_target, options.from_target)
        table = parse_csv(data, name, time_column=options.time_column, wanted=wanted)
        shot, meta = _shot_of_table(table, name, options), _meta(name, options, notes=table.comments)
    document = result_document(judge([shot], _expectation(options)))
    return Analysis(document, (shot,), meta)


def _expectation(options: AnalysisOptions) -> Expectation:
    known = (
        Accuracy()
        if options.timebase_ppm is None
        else Accuracy(options.timebase_ppm, assumed=("vertical_percent",))
    )
    return Expectation(options.baud, options.frame, options.logic, options.sent, accuracy=known)


def _shot_of_table(table: TraceTable, name: str, options: AnalysisOptions) -> Shot:
    columns = {c: c for c in table.channels}
    to_target, from_target = _both(options, columns, name)
    return Shot(table.trace(to_target), table.trace(from_target), options.sent)


def _shot_of_capture(capture: Capture, name: str, options: AnalysisOptions) -> Shot:
    channels = {channel_label(c.name): c.name for c in capture.channels}
    to_target, from_target = _both(options, channels, name)
    return shot_of(capture, to_target, from_target, options.sent)


def _both(options: AnalysisOptions, channels: dict[str, str], name: str) -> tuple[str, str]:
    """The channels of the to-target and the from-target line."""
    to_target, from_target = (_chosen(w, channels, name) for w in (options.to_target, options.from_target))
    if to_target == from_target:
        raise BadInput(f"to_target and from_target are both {options.to_target!r}; each line needs its own")
    return to_target, from_target


def _chosen(wanted: str, channels: dict[str, str], name: str) -> str:
    """The channel of that name: as it stands there, else without regard to capitals, `ch` and `_v`."""
    if wanted in channels:
        return channels[wanted]
    alike = [own for shown, own in channels.items() if _bare(shown) == _bare(wanted)]
    if len(alike) != 1:
        raise BadCaptureFile(f"{name} has no channel {wanted!r}, it has {', '.join(channels)}")
    return alike[0]


def _bare(channel: str) -> str:
    return channel.lower().removesuffix("_v").removeprefix("ch")


def _meta_of_capture(capture: Capture, name: str, options: AnalysisOptions) -> ReportMeta:
    return _meta(
        name,
        options,
        started_at=capture.taken_at,
        instrument=instrument_facts(capture),
        settings=settings_facts(capture),
    )


def _meta(name: str, options: AnalysisOptions, **more: Any) -> ReportMeta:
    return ReportMeta(title=f"Analysis of {name}", source=name, sent=options.sent, **more)
