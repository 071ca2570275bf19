"""Why a quantity of a line, or a measurement, is null in the result document."""

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
NO_FORMAT = "no frame format fits what was seen"
NO_FAMILY = "the logic family is not known: there is no threshold to have a margin to"
NO_NOMINAL = "there is no rate to hold it against: no nominal one was stated"
NO_ECHO = "no echo was seen whose times could be measured"
QUANTITIES = (
    "idle", "baud", "bit_time", "rise_time", "fall_time", "start_stop_distortion", "samples_per_bit",
    "noise_v",
)  # fmt: skip


def reasons(line: Line, readings: Sequence[LineReading], shown: Mapping[str, Any]) -> dict[str, str]:
    """Quantity -> why it is null; `shown` is the line as the document has it. Levels are `low` and `high`."""
    missing = [name for name in QUANTITIES if shown[name] is None]
    missing += [] if shown["frame"]["best"] else ["frame"]
    missing += [state for state, value in shown["levels"].items() if value is None]
    return {name: _reason(name, line, readings) for name in missing}


def reason_of(measurement: str, unmeasured: Mapping[str, str]) -> str:
    """Why a measurement is null, by its name without the line; `unmeasured` is what `reasons` said of that
    line, empty for what belongs to no line.
    """
    for name in NEEDS.get(measurement, (measurement, "start_stop_distortion", "bit_time")):
        if name in unmeasured:
            return unmeasured[name]
    return OTHERWISE.get(measurement, NOT_FRAMED)


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
    if name == "frame":
        return NO_FORMAT
    if line.samples_per_bit is not None and line.bit_time is None:
        return COARSE
    return NOT_FRAMED if name == "start_stop_distortion" else NO_RATE


def _of_a_resting_line(name: str, line: Line) -> str:
    if name not in ("low", "high", "idle"):
        return AT_REST
    return NEITHER if line.low is None and line.high is None else ONE_LEVEL


NEEDS: dict[str, tuple[str, ...]] = {
    "rate_deviation": ("baud",),
    "low_level": ("low",),
    "high_level": ("high",),
    "swing": ("low", "high"),
    "low_margin": ("low", "high"),
    "high_margin": ("low", "high"),
    "overshoot": ("low", "high"),
    "noise": ("noise_v",),
}
"""Measurement -> quantities of the line that it is made of; without a row: times of characters."""
LATENCIES = tuple(f"{of}_{at}" for of in ("latency", "start_to_start") for at in ("min", "median", "max"))
OTHERWISE: dict[str, str] = {
    "rate_deviation": NO_NOMINAL,
    "low_margin": NO_FAMILY,
    "high_margin": NO_FAMILY,
    "overshoot": NO_EDGE,
    "noise": NO_RECORD,
    **dict.fromkeys(LATENCIES, NO_ECHO),
}
"""Measurement -> why it is null although the line has all that it needs."""
