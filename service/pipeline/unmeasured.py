"""Why a quantity of a line is null in the result document, each in a sentence of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.pipeline.lines import Line
from service.pipeline.readings import LineReading

NO_RECORD = "no record of the line was taken"
AT_REST = "the line was at rest in every record: without edges there is no such thing to measure"
ONE_LEVEL = "the line held one level in every record: the other was never seen"
NEITHER = "no two levels of a signal could be told apart"
CLIPPED = "this state lies at an end of the scope's range"
STEEP = "the edges take fewer samples than are needed to time them"
COARSE = "there are too few samples a bit"
NO_EDGE = "no edge of this kind was seen whole"
NOT_FRAMED = "it needs edges at known places of rightly framed characters, and there are too few"
NO_RATE = "no characters were seen from whose edges a bit time could be fitted"
QUANTITIES = (
    "idle", "baud", "bit_time", "rise_time", "fall_time", "start_stop_distortion", "samples_per_bit",
    "noise_v",
)  # fmt: skip


def reasons(line: Line, readings: Sequence[LineReading], shown: Mapping[str, Any]) -> dict[str, str]:
    """Quantity -> why it is null; `shown` is the line as the document has it. Levels are `low` and `high`."""
    missing = [name for name in QUANTITIES if shown[name] is None]
    missing += [state for state, value in shown["levels"].items() if value is None]
    return {name: _reason(name, line, readings) for name in missing}


def _reason(name: str, line: Line, readings: Sequence[LineReading]) -> str:
    if not readings:
        return NO_RECORD
    if not any(len(r.edges) for r in readings):
        return _of_a_resting_line(name, line)
    if name in ("low", "high"):
        clipped = any(r.levels is not None and getattr(r.levels, f"clipped_{name}") for r in readings)
        return CLIPPED if clipped else NEITHER
    if name in ("rise_time", "fall_time"):
        return STEEP if (line.rise if name == "rise_time" else line.fall) is not None else NO_EDGE
    if line.samples_per_bit is not None and line.bit_time is None:
        return COARSE
    return NOT_FRAMED if name == "start_stop_distortion" else NO_RATE


def _of_a_resting_line(name: str, line: Line) -> str:
    if name not in ("low", "high", "idle"):
        return AT_REST
    return NEITHER if line.low is None and line.high is None else ONE_LEVEL
