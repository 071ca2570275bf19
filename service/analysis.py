"""A saved capture judged with no hardware: what `benchwarden analyze` and `POST /analyses` both do.

Imports numpy-only parts, and no pathlib, which costs a tenth of numpy's own start; the template engine of the
report is loaded by whoever asks for a report.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from drivers.scope.capture import Capture
from service.errors import BadCaptureFile, BadInput
from service.pipeline.chain import judge
from service.pipeline.document import result_document
from service.pipeline.expectation import LOGIC_FAMILIES, Expectation
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot
from service.pipeline.verdict import Judgement
from service.report.meta import ReportMeta, instrument_facts, settings_facts
from service.shots import channel_label, shot_of

if TYPE_CHECKING:
    from service.files.trace_table import TraceTable

ZIP_START = b"PK"
"""An NPZ file is a ZIP archive; a CSV file with a header never begins so."""

USUAL = ("ch1", "ch2")
CARRIED = "What the to-target line carried counts as sent: nobody stated it, and the file does not know."


@dataclass(frozen=True)
class AnalysisOptions:
    """What is known about the capture; None = found from the record itself."""

    sent: bytes | None = None
    baud: float | None = None
    frame: FrameFormat | None = None
    logic: str | None = None
    to_target: str | None = None
    """As people name a channel ("ch1"), as a file names its column ("ch1_v"), or as the scope does ("1").
    None: what a run's file says, else ch1, and ch2 for the other.
    """
    from_target: str | None = None
    timebase_ppm: float | None = None
    """None: 25 is assumed, and the result says so."""
    time_column: str | None = None
    """Of a CSV file or of arrays that have names of their own: the one that holds seconds."""

    def __post_init__(self) -> None:
        if self.baud is not None and not 0 < self.baud < 1e10:
            raise BadInput(f"baud must be a bit rate above 0 and below 1e10 Bd, was {self.baud:g}")
        if self.timebase_ppm is not None and not 0 <= self.timebase_ppm < 1e6:
            raise BadInput(f"timebase_ppm must lie from 0 to a million, was {self.timebase_ppm:g}")
        if self.logic is not None and self.logic not in LOGIC_FAMILIES:
            raise BadInput(f"logic must be one of {', '.join(LOGIC_FAMILIES)}, was {self.logic!r}")


@dataclass(frozen=True, eq=False)
class Known:
    """What a file says besides its samples."""

    expectation: Expectation = field(default_factory=Expectation)
    owed: bytes = b""
    heard: bytes | None = None
    """By the serial link; None too where the run asked it already and a second record bore this one out."""


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
    """Judge a file's content; `name` stands in errors and in the report. BadCaptureFile.

    What the options state counts; else what the file of a run knows; else it is found from the record.
    """
    if data.startswith(ZIP_START):
        shot, meta, known = _from_npz(data, name, options)
    else:
        from service.files.csv_trace import parse_csv

        table = parse_csv(data, name, time_column=options.time_column, wanted=_lines(options, {}))
        shot, known = _shot_of_table(table, name, options), Known()
        meta = _meta(name, options, notes=table.comments)
    judgement = judge([shot], _expectation(options, known.expectation))
    if known.heard is not None and options.sent is None:
        judgement = _with_the_link(judgement, shot, known.heard)
    return Analysis(result_document(judgement), (shot,), meta)


def _with_the_link(judgement: Judgement, shot: Shot, heard: bytes) -> Judgement:
    """The same after the serial link was asked, as the run did (service/retaking.py)."""
    from service.pipeline.witness import contradiction, denied

    found = contradiction(judgement, shot.sent or b"", heard)
    told = None if found is None else denied(found)
    return judgement if told is None else judge([shot], judgement.expectation, [told])


def _from_npz(data: bytes, name: str, options: AnalysisOptions) -> tuple[Shot, ReportMeta, Known]:
    """A capture as a run keeps it, or arrays of anybody's."""
    from service.files.npz import capture_from_bytes, is_capture

    if not is_capture(data, name):
        from service.files.npz_arrays import parse_npz

        table = parse_npz(data, name, time_column=options.time_column, wanted=_lines(options, {}))
        return _shot_of_table(table, name, options), _meta(name, options), Known()
    if options.time_column is not None:
        raise BadInput(f"a time column is for files of others, {name} knows its own times")
    capture = capture_from_bytes(data, name)
    shot, known = _shot_of_capture(capture, name, options), _known(capture, name)
    if options.sent is None:
        shot = replace(shot, sent=known.expectation.sent, owed=known.owed)
    return shot, _meta_of_capture(capture, name, options), known


def _known(capture: Capture, name: str) -> Known:
    if not capture.known:
        return Known()
    from service.known import SEEN_AGAIN, bytes_from, expectation_from

    alone = "heard_hex" in capture.known and not capture.known.get(SEEN_AGAIN)
    heard = bytes_from(capture.known, "heard_hex", name) if alone else None
    owed = bytes_from(capture.known, "owed_hex", name)
    return Known(expectation_from(capture.known, name), owed, heard)


def _expectation(options: AnalysisOptions, known: Expectation) -> Expectation:
    accuracy = known.accuracy
    if options.timebase_ppm is not None:
        assumed = tuple(each for each in accuracy.assumed if each != "timebase_ppm")
        accuracy = replace(accuracy, timebase_ppm=options.timebase_ppm, assumed=assumed)
    sent = known.sent if options.sent is None else options.sent
    return replace(
        known,
        baud=options.baud or known.baud,
        frame=options.frame or known.frame,
        logic=options.logic or known.logic,
        sent=sent,
        accuracy=accuracy,
        bench_notes=(*known.bench_notes, CARRIED) if sent is None else known.bench_notes,
    )


def _lines(options: AnalysisOptions, known: Mapping[str, Any]) -> tuple[str, str]:
    """Names of the channels of both lines."""
    return (
        options.to_target or str(known.get("to_target", USUAL[0])),
        options.from_target or str(known.get("from_target", USUAL[1])),
    )


def _shot_of_table(table: TraceTable, name: str, options: AnalysisOptions) -> Shot:
    columns = {c: c for c in table.channels}
    to_target, from_target = _both(_lines(options, {}), columns, name)
    return Shot(table.trace(to_target), table.trace(from_target), options.sent)


def _shot_of_capture(capture: Capture, name: str, options: AnalysisOptions) -> Shot:
    channels = {channel_label(c.name): c.name for c in capture.channels}
    to_target, from_target = _both(_lines(options, capture.known), channels, name)
    return shot_of(capture, to_target, from_target, options.sent)


def _both(lines: tuple[str, str], channels: dict[str, str], name: str) -> tuple[str, str]:
    """The channels of the to-target and the from-target line."""
    to_target, from_target = (_chosen(wanted, channels, name) for wanted in lines)
    if to_target == from_target:
        raise BadInput(f"to_target and from_target are both {lines[0]!r}; each line needs its own")
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
