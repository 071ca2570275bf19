"""One line over all shots: its levels, bit time, format and characters, pooled."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from service.pipeline import transitions
from service.pipeline.arrays import median
from service.pipeline.bit_time import pooled_bit_time
from service.pipeline.evidence import FROM_TARGET, ROLES, TO_TARGET, Evidence
from service.pipeline.expectation import Accuracy
from service.pipeline.readings import FrameFormat, LineReading, Value
from service.pipeline.uncertainty import pooled, with_scale


@dataclass(frozen=True, eq=False)
class Line:
    """What is known about one role's line; None = not measurable, and a finding says why."""

    role: str
    channel: str
    idle_high: bool | None
    bit_time: Value | None = None
    frame: FrameFormat | None = None
    possible: tuple[FrameFormat, ...] = ()
    low: Value | None = None
    high: Value | None = None
    """None where the state was clipped or never held."""
    noise_v: float | None = None
    overshoot_percent: float | None = None
    rise: transitions.Transition | None = None
    fall: transitions.Transition | None = None
    samples_per_bit: float | None = None
    characters: int = 0
    """How many there were, whole or not."""

    @property
    def baud(self) -> Value | None:
        """1 / bit time, with the same relative uncertainties."""
        t = self.bit_time
        if t is None:
            return None
        return Value(1 / t.value, t.u / t.value**2, t.u_record / t.value**2, "Bd")

    @property
    def low_v(self) -> float | None:
        return None if self.low is None else self.low.value

    @property
    def high_v(self) -> float | None:
        return None if self.high is None else self.high.value

    @property
    def swing_v(self) -> float | None:
        """High minus low, None unless both are known."""
        if self.low is None or self.high is None:
            return None
        return self.high.value - self.low.value


def pool_lines(evidence: Evidence) -> Evidence:
    """Fill in `lines`: both roles, always."""
    accuracy = evidence.expectation.accuracy
    lines = {role: _pool(role, [s.line(role) for s in evidence.shots], evidence) for role in ROLES}
    silent = lines[FROM_TARGET]
    if silent.characters == 0 and silent.idle_high is None:
        lines[FROM_TARGET] = _at_rest(silent, evidence, lines[TO_TARGET], accuracy)
    return evidence.with_(lines=lines)


def _pool(role: str, readings: Sequence[LineReading], evidence: Evidence) -> Line:
    accuracy = evidence.expectation.accuracy
    fullest = max(readings, key=lambda r: len(r.characters), default=None)
    if fullest is None:
        return Line(role, "", None)
    with_levels = [r for r in readings if r.levels is not None]
    closely = [r for r in (s.line(role) for s in evidence.closeups) if r.levels is not None]
    refuse = evidence.expectation.limits.samples_per_bit_min
    return Line(
        role,
        fullest.trace.channel,
        fullest.idle_high,
        _bit_time([r for r in with_levels if not _coarse(r, refuse)], accuracy),
        fullest.frame,
        _possible(readings, fullest),
        _level(with_levels, accuracy, high=False),
        _level(with_levels, accuracy, high=True),
        _median(r.noise_v for r in (with_levels or readings)),
        _median(r.levels.overshoot_percent for r in (closely or with_levels) if r.levels is not None),
        _transition(closely, with_levels, accuracy, rising=True),
        _transition(closely, with_levels, accuracy, rising=False),
        _median(r.samples_per_bit for r in readings),
        sum(len(r.characters) for r in readings),
    )


def _transition(
    closely: Sequence[LineReading], usual: Sequence[LineReading], accuracy: Accuracy, *, rising: bool
) -> transitions.Transition | None:
    """From the close-ups where they show such an edge well enough, else from the shots of the test."""
    found = transitions.over_shots(closely, rising=rising, accuracy=accuracy)
    if found is not None and found.value is not None:
        return found
    return transitions.over_shots(usual, rising=rising, accuracy=accuracy)


def _coarse(reading: LineReading, refuse: float) -> bool:
    return reading.samples_per_bit is not None and reading.samples_per_bit < refuse


def _bit_time(readings: Sequence[LineReading], accuracy: Accuracy) -> Value | None:
    """Pooled over the shots; the time base is common to all and is combined in once, after pooling."""
    found = pooled_bit_time(readings)
    if found is None:
        return None
    return with_scale(found.value, found.u_record, accuracy.timebase_ppm * 1e-6, "s")


def _level(readings: Sequence[LineReading], accuracy: Accuracy, *, high: bool) -> Value | None:
    known = []
    for reading in readings:
        levels = reading.levels
        if levels is None or (levels.clipped_high if high else levels.clipped_low):
            continue
        known.append((levels.high_v, levels.u_high_v) if high else (levels.low_v, levels.u_low_v))
    if not known:
        return None
    value, u = pooled(known)
    return with_scale(value, u, accuracy.vertical_percent / 100, "V")


def _possible(readings: Sequence[LineReading], fullest: LineReading) -> tuple[FrameFormat, ...]:
    """Formats that every shot with characters allows, in the fullest shot's order."""
    sets = [{o.frame for o in r.possible} for r in readings if len(r.characters) and r.possible]
    return tuple(o.frame for o in fullest.possible if all(o.frame in s for s in sets))


def _median(numbers: Iterable[float | None]) -> float | None:
    known = [n for n in numbers if n is not None]
    return median(known) if known else None


def _at_rest(line: Line, evidence: Evidence, other: Line, accuracy: Accuracy) -> Line:
    """A line without characters: the level that it holds is the one that can be told, by the other line's
    levels.
    """
    flat = [r.flat_v for _, r in evidence.readings(line.role) if r.flat_v is not None]
    if not flat or other.low_v is None or other.high_v is None:
        return line
    value = median(flat)
    noise = median([r.noise_v for _, r in evidence.readings(line.role)])
    held = with_scale(value, 2 * noise / np.sqrt(len(flat)), accuracy.vertical_percent / 100, "V")
    high = value > 0.5 * (other.low_v + other.high_v)
    return Line(
        line.role, line.channel, high, frame=line.frame, noise_v=noise,
        low=None if high else held, high=held if high else None,
    )  # fmt: skip
