"""Measurements: a number, its uncertainty, what exactly it is, what it may be. The table is at the foot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from service.pipeline import line_levels, line_times
from service.pipeline.decisions import INCONCLUSIVE, within
from service.pipeline.evidence import ROLES, Evidence
from service.pipeline.figures import Figure
from service.pipeline.uncertainty import K


@dataclass(frozen=True)
class Measurement:
    """One row of the result. `u` is expanded (k = 2); value None = could not be measured honestly."""

    name: str
    line: str | None
    value: float | None
    u: float | None
    u_record: float | None
    unit: str
    definition: str
    limit: dict[str, float] = field(default_factory=dict)
    """`min` and `max`, as far as there are any, in the same unit."""
    verdict: str | None = None
    """None where nothing is asked."""
    criterion: str | None = None
    k: float = K


@dataclass(frozen=True, eq=False)
class Row:
    """One kind of measurement. `measure` gives the figure; `criterion` is what it decides, for the from-
    target line.
    """

    name: str
    unit: str
    measure: Callable[[Evidence, str], Figure]
    per_line: bool = True
    criterion: str | None = None


def measure(evidence: Evidence) -> Evidence:
    """Fill in `measurements`: every row of the table, for each line where it has one."""
    made = [
        _measurement(row, role, row.measure(evidence, role or ""))
        for row in MEASUREMENTS
        for role in (ROLES if row.per_line else (None,))
    ]
    return evidence.with_(measurements=tuple(made))


def _measurement(row: Row, role: str | None, figure: Figure) -> Measurement:
    limit = {k: v for k, v in (("min", figure.low), ("max", figure.high)) if v is not None}
    name = f"{role}.{row.name}" if role else row.name
    value = figure.value
    return Measurement(
        name,
        role,
        None if value is None else value.value,
        None if value is None else value.u,
        None if value is None else value.u_record,
        row.unit,
        figure.definition,
        limit,
        _verdict(figure) if limit else None,
        row.criterion,
    )


def _verdict(figure: Figure) -> str:
    if figure.value is not None:
        return within(figure.value.value, figure.value.u, figure.low, figure.high)
    if figure.surely_under is not None and figure.low is None:
        return within(figure.surely_under, 0.0, None, figure.high).replace("fail", INCONCLUSIVE)
    return INCONCLUSIVE


def measured(evidence: Evidence, name: str) -> Measurement:
    """The measurement of that name; KeyError when there is none."""
    for m in evidence.measurements:
        if m.name == name:
            return m
    raise KeyError(f"no measurement {name!r}")


MEASUREMENTS: tuple[Row, ...] = (
    Row("bit_time", "s", line_times.bit_time),
    Row("baud", "Bd", line_times.baud),
    Row("rate_deviation", "%", line_times.rate_deviation, criterion="rate"),
    Row("samples_per_bit", "", line_times.samples_per_bit),
    Row("start_edge_to_last_edge", "s", line_times.start_edge_to_last_edge),
    Row("start_edge_to_stop_end", "s", line_times.start_edge_to_stop_end),
    Row("start_stop_distortion", "%", line_times.start_stop_distortion),
    Row("gross_start_stop_distortion", "%", line_times.gross_start_stop_distortion),
    Row("isochronous_distortion", "%", line_times.isochronous_distortion),
    Row("bias_distortion", "%", line_times.bias_distortion),
    Row("low_level", "V", line_levels.low_level, criterion="levels"),
    Row("high_level", "V", line_levels.high_level, criterion="levels"),
    Row("swing", "V", line_levels.swing),
    Row("low_margin", "V", line_levels.low_margin),
    Row("high_margin", "V", line_levels.high_margin),
    Row("rise_time", "s", line_levels.rise_time, criterion="edges"),
    Row("fall_time", "s", line_levels.fall_time, criterion="edges"),
    Row("overshoot", "%", line_levels.overshoot),
    Row("noise", "V", line_levels.noise),
    Row("latency_min", "s", line_times.latency_min, per_line=False),
    Row("latency_median", "s", line_times.latency_median, per_line=False),
    Row("latency_max", "s", line_times.latency_max, per_line=False, criterion="timing"),
    Row("start_to_start_min", "s", line_times.start_to_start_min, per_line=False),
    Row("start_to_start_median", "s", line_times.start_to_start_median, per_line=False),
    Row("start_to_start_max", "s", line_times.start_to_start_max, per_line=False),
)
