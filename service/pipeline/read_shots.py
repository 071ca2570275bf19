"""Both lines of every shot through the signal side's one door, all with the same settings."""

from __future__ import annotations

from collections.abc import Sequence

from service.pipeline.evidence import ReadShot, rate_candidates
from service.pipeline.expectation import Expectation
from service.pipeline.reading import read_line
from service.pipeline.readings import BREAK, FRAMING, FrameFormat, LineReading
from service.pipeline.trace import Shot, Trace

OFF_THE_CLOCK = 0.01
"""Uncertainty of a bit time, as a share of it, from which its edges lie off the clock: right ones give it
to a few parts in a thousand.
"""
SAME_RATE = 0.03
"""Rates nearer than this are one rate, found twice: two ends of a link may differ by the receiver tolerance.
"""


def read_shots(shots: Sequence[Shot], expectation: Expectation) -> tuple[ReadShot, ...]:
    """Read every line with the stated settings, or blind where none are stated.

    Blind, the fullest shot of a line decides for all its shots, and a from-target line that cannot tell its
    own settings is read with those of the to-target line: it is meant to answer in kind.
    """
    to = _read_role([s.to_target for s in shots], expectation, None)
    back = _read_role([s.from_target for s in shots], expectation, _fullest(to))
    return tuple(
        ReadShot(a, b, s.sent, s.triggered, s.trigger_level_v, s.owed)
        for s, a, b in zip(shots, to, back, strict=True)
    )


def _read_role(
    traces: Sequence[Trace], expectation: Expectation, like: LineReading | None
) -> list[LineReading]:
    baud, frame = expectation.baud, expectation.frame
    readings = [read_line(t, baud=baud, frame=frame, logic=expectation.logic) for t in traces]
    if baud is not None:
        readings = [_at_its_own_rate(r, baud, expectation) for r in readings]
    if baud is not None and frame is not None:
        return readings
    chosen = _settings(_fullest(readings), like)
    if chosen is None:
        return readings
    return [_again(r, chosen, expectation) for r in readings]


def _at_its_own_rate(reading: LineReading, nominal: float, expectation: Expectation) -> LineReading:
    """The line read at the rate that it really has, where the nominal one makes no sense of it.

    Only where the record leaves one other rate, at which every character is rightly framed: then the rate is
    what is wrong (`rate-off` will say so) and not every single character as well.
    """
    if not len(reading.characters):
        return reading
    rate = _other_rate(reading, expectation)
    if rate is None or abs(rate / nominal - 1) < SAME_RATE:
        return reading
    again = read_line(reading.trace, baud=rate, frame=expectation.frame, logic=expectation.logic)
    return reading if _troubled(again) or not len(again.characters) else again


def _other_rate(reading: LineReading, expectation: Expectation) -> float | None:
    """The one rate that the record shows where it contradicts the nominal one."""
    contradiction = reading.notes.get("nominal_mismatch")
    if contradiction is not None:
        return float(contradiction["baud"])
    if not _troubled(reading):
        return None
    rates = rate_candidates(read_line(reading.trace, logic=expectation.logic))
    return rates[0] if len(rates) == 1 else None


def _troubled(reading: LineReading) -> bool:
    """Characters that are not whole, or edges that lie off the bit clock: both come of a wrong rate."""
    bit = reading.bit_time_s
    if bit is None or bit.u_record > OFF_THE_CLOCK * bit.value:
        return True
    return bool((reading.characters.errors & (FRAMING | BREAK)).any())


def _settings(own: LineReading | None, like: LineReading | None) -> tuple[float, FrameFormat] | None:
    """Rate and format that all shots of the line are read with."""
    if own is None or own.bit_time_s is None or own.frame is None:
        return None
    if like is not None and like.bit_time_s is not None and like.frame is not None:
        rate, other = 1 / own.bit_time_s.value, 1 / like.bit_time_s.value
        rates = [rate, *rate_candidates(own)]
        near = min(rates, key=lambda r: abs(r / other - 1))
        frames = [o.frame for o in own.possible]
        if abs(near / other - 1) < SAME_RATE and like.frame in frames:
            return other, like.frame
    return 1 / own.bit_time_s.value, own.frame


def _again(reading: LineReading, chosen: tuple[float, FrameFormat], expectation: Expectation) -> LineReading:
    """The reading with the chosen settings; the formats and rates that it allowed when blind are kept."""
    baud, frame = chosen
    bit = reading.bit_time_s
    if reading.frame == frame and bit is not None and abs(baud * bit.value - 1) < SAME_RATE:
        return reading
    again = read_line(reading.trace, baud=baud, frame=frame, logic=expectation.logic)
    return LineReading(
        **{
            **{f: getattr(again, f) for f in again.__dataclass_fields__},
            "possible": reading.possible or again.possible,
            "notes": {**again.notes, **{k: v for k, v in reading.notes.items() if k == "rate_candidates"}},
        }
    )


def _fullest(readings: Sequence[LineReading]) -> LineReading | None:
    full = max(readings, key=lambda r: len(r.characters), default=None)
    return full if full is not None and len(full.characters) else None
