"""Levels and shape of a line: states, margins to the receiving family, edges, overshoot, noise."""

from __future__ import annotations

from service.pipeline.evidence import Evidence
from service.pipeline.figures import Figure
from service.pipeline.readings import Value
from service.pipeline.transitions import Transition
from service.pipeline.uncertainty import combined


def level_limits(evidence: Evidence, *, high: bool) -> tuple[float | None, float | None]:
    """Lowest and highest allowed level of a state, volts; None where the family is not known and nothing is
    stated.
    """
    limits, fam = evidence.expectation.limits, evidence.family
    stated = limits.level_high_min_v if high else limits.level_low_max_v
    if fam is None:
        return (stated, None) if high else (None, stated)
    beyond = limits.level_beyond_supply_v
    if high:
        return (fam.vih_min_v if stated is None else stated), fam.ceiling_v + beyond
    return fam.floor_v - beyond, (fam.vil_max_v if stated is None else stated)


def _family_words(evidence: Evidence) -> str:
    fam = evidence.family
    if fam is None:
        return "no logic family was stated and the levels point to none"
    taken = "" if evidence.expectation.logic else ", taken from the levels since none was stated"
    return f"logic family {fam.name}{taken}"


def low_level(evidence: Evidence, role: str) -> Figure:
    """Volts."""
    lowest, highest = level_limits(evidence, high=False)
    words = f"low state level (IEEE 181 histogram mode); {_family_words(evidence)}"
    return Figure(evidence.lines[role].low, words, lowest, highest)


def high_level(evidence: Evidence, role: str) -> Figure:
    """Volts."""
    lowest, highest = level_limits(evidence, high=True)
    words = f"high state level (IEEE 181 histogram mode); {_family_words(evidence)}"
    return Figure(evidence.lines[role].high, words, lowest, highest)


def swing(evidence: Evidence, role: str) -> Figure:
    """Volts, high minus low; the gain's error is common to both."""
    line = evidence.lines[role]
    words = "high minus low state level (amplitude)"
    if line.low is None or line.high is None:
        return Figure(None, words)
    u_record = combined(line.low.u_record, line.high.u_record)
    gain = max(line.high.u**2 - line.high.u_record**2, line.low.u**2 - line.low.u_record**2, 0.0) ** 0.5
    return Figure(Value(line.high.value - line.low.value, combined(u_record, gain), u_record, "V"), words)


def low_margin(evidence: Evidence, role: str) -> Figure:
    """Volts between the low level and what the receiver still takes for low."""
    low, (_, highest) = evidence.lines[role].low, level_limits(evidence, high=False)
    words = f"VIL of the receiver minus low level; {_family_words(evidence)}"
    if low is None or highest is None:
        return Figure(None, words)
    return Figure(Value(highest - low.value, low.u, low.u_record, "V"), words)


def high_margin(evidence: Evidence, role: str) -> Figure:
    """Volts between the high level and what the receiver already takes for high."""
    high, (lowest, _) = evidence.lines[role].high, level_limits(evidence, high=True)
    words = f"high level minus VIH of the receiver; {_family_words(evidence)}"
    if high is None or lowest is None:
        return Figure(None, words)
    return Figure(Value(high.value - lowest, high.u, high.u_record, "V"), words)


def rise_time(evidence: Evidence, role: str) -> Figure:
    """Seconds, 10 to 90 %."""
    return _transition(evidence, role, evidence.lines[role].rise, "rising")


def fall_time(evidence: Evidence, role: str) -> Figure:
    """Seconds, 90 to 10 %."""
    return _transition(evidence, role, evidence.lines[role].fall, "falling")


def _transition(evidence: Evidence, role: str, found: Transition | None, kind: str) -> Figure:
    words = f"median 10 to 90 % transition duration of {kind} edges, as the scope and the probe show it"
    bit = evidence.lines[role].bit_time
    unit = 1 / evidence.expectation.baud if evidence.expectation.baud else (bit.value if bit else None)
    limit = None if unit is None else evidence.expectation.limits.edge_percent / 100 * unit
    if found is None:
        return Figure(None, words, None, limit)
    if found.value is None:
        words += f"; fewer than the samples that it takes: certainly under {found.under_s:.3g} s"
    return Figure(found.value, words, None, limit, found.under_s)


def overshoot(evidence: Evidence, role: str) -> Figure:
    """Percent of the swing."""
    found = evidence.lines[role].overshoot_percent
    words = "largest excursion beyond the nearer state after an edge, in percent of the swing"
    line = evidence.lines[role]
    if found is None or not line.swing_v:
        return Figure(None, words)
    u = 100 * 2 * (line.noise_v or 0.0) / line.swing_v
    return Figure(Value(found, u, u, "%"), words)


def noise(evidence: Evidence, role: str) -> Figure:
    """Volts rms."""
    found = evidence.lines[role].noise_v
    words = "rms around the nearer state, away from edges"
    return Figure(None if found is None else Value(found, 0.0, 0.0, "V"), words)
