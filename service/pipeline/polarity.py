"""Which way up a line stands: it rests at the level that its logic family calls idle, or on its head.

A line of a family between zero and a supply rests high, one of RS-232 rests low (TIA-232-F: mark is
negative). A decoder that takes either reads both; a receiver does not.
"""

from __future__ import annotations

import numpy as np

from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Evidence
from service.pipeline.families import likely_family
from service.pipeline.readings import LineReading

REST_FRAMES = 2.0
"""A line shows where it rests when it holds one level for so many characters' time."""
MIRRORED_LOW, MIRRORED_HIGH = 0.5, 0.25
"""Levels below minus the first and within plus or minus the second part of the supply: volts upside down."""


def inverted(evidence: Evidence, role: str) -> bool:
    """True for a line that rests at its family's start level while it is shown as it is.

    A from-target line that stands as the to-target line does answers as it is spoken to: it is not blamed.
    """
    if not _on_its_head(evidence, role) or channel_inverted(evidence, role):
        return False
    return role == TO_TARGET or not _on_its_head(evidence, TO_TARGET)


def both_inverted(evidence: Evidence) -> bool:
    """True where both lines stand on their heads: a bench built so works, but not as its file says."""
    return _on_its_head(evidence, TO_TARGET) and _on_its_head(evidence, FROM_TARGET)


def channel_inverted(evidence: Evidence, role: str) -> bool:
    """True where the scope may have turned the sign of the volts.

    Levels of a family above zero that lie below it are no output's doing. RS-232 looks the same either way
    up: one line of two that stands on its head may be the scope's doing as well as the driver's.
    """
    line = evidence.lines.get(role)
    if line is None or line.low_v is None or line.high_v is None:
        return False
    stated = evidence.family if evidence.expectation.logic is not None else None
    family = stated or likely_family(line.low_v, line.high_v) or likely_family(-line.high_v, -line.low_v)
    if family is None:
        return False
    if family.bipolar:
        other = FROM_TARGET if role == TO_TARGET else TO_TARGET
        return _on_its_head(evidence, role) and not _on_its_head(evidence, other)
    return (
        line.idle_high is False
        and line.low_v < -MIRRORED_LOW * family.supply_v
        and abs(line.high_v) < MIRRORED_HIGH * family.supply_v
    )


def _on_its_head(evidence: Evidence, role: str) -> bool:
    family, line = evidence.family, evidence.lines.get(role)
    if family is None or line is None or line.idle_high is None:
        return False
    return line.idle_high == family.bipolar and any(
        _rests(r, line.idle_high) for _, r in evidence.readings(role)
    )


def _rests(reading: LineReading, high: bool) -> bool:
    """Whether the longest stretch without an edge is at that level and longer than characters."""
    times, rising = reading.edges.times_s, reading.edges.rising
    if not len(times) or reading.bit_time_s is None or reading.frame is None:
        return False
    stretches = np.diff(times, prepend=reading.trace.start_s, append=reading.trace.end_s)
    levels = np.concatenate(([not rising[0]], rising))
    longest = int(np.argmax(stretches))
    frame_s = reading.frame.total_bits * reading.bit_time_s.value
    return bool(levels[longest] == high and stretches[longest] > REST_FRAMES * frame_s)
