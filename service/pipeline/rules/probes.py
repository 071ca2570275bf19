"""Rules about probes, wiring and the vertical axis: factor, exchange, bridge, crosstalk, clipping, zero,
noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from service.pipeline import polarity
from service.pipeline.evidence import FROM_TARGET, ROLES, TO_TARGET, Evidence
from service.pipeline.families import FAMILIES, Family, likely_family
from service.pipeline.findings import Finding, make_finding
from service.pipeline.phrases import line_words, many, quantity, volts
from service.pipeline.readings import Value
from service.pipeline.slow_part import slow_part

SAME_SWING = 0.07
"""Two outputs whose swings differ by less are of one kind: two 3 % scope channels on the same levels."""
SWING_OFF = 0.04
"""A swing within this part of the family's is a scope channel's gain (3 %), and no probe to look for."""
COMPENSATION_PERCENT = 5.0
"""Of the step: what traffic surely shows, far above what a trimmed probe has (common practice, no source)."""
RATIO_SPREAD = 1.6
"""A swing within this factor of ten times (or a tenth of) the family's points to the probe factor."""


@dataclass(frozen=True)
class Ratio:
    """The readings of a line are `factor` times too large (10 or 0.1)."""

    factor: float
    family: Family
    ambiguous: str = ""


def probes_exchanged(evidence: Evidence) -> Iterator[Finding]:
    """Roles were turned round to follow the traffic."""
    if evidence.exchanged:
        to, back = (evidence.lines[r].channel for r in ROLES)
        detail = f"{to} sees the PC's characters and {back} the answers, the other way round than stated."
        facts = {"to_target": to, "from_target": back}
        yield make_finding("probes-exchanged", None, detail, evidence=facts)


def lines_bridged(evidence: Evidence) -> Iterator[Finding]:
    """The from-target line is a twin of the to-target line."""
    if not evidence.bridged:
        return
    starts = [
        e.start_to_start_s for e in evidence.echoes
        if e.shot in evidence.bridged and e.start_to_start_s is not None
    ]  # fmt: skip
    nearest = min(starts, key=abs, default=0.0)
    bit, frame = evidence.lines[TO_TARGET].bit_time, evidence.lines[TO_TARGET].frame
    detail = (
        f"characters start {quantity(nearest, 's')} after those on the to-target line"
        if starts else "both lines move at the same instants"
    )  # fmt: skip
    if bit is not None and frame is not None:
        soonest_s = (frame.bits_to_last_data + 0.5) * bit.value
        detail += f", an echo cannot start sooner than {quantity(soonest_s, 's')} after them"
    facts = {"shots": list(evidence.bridged), "start_to_start_s": nearest}
    yield make_finding("lines-bridged", FROM_TARGET, detail + ".", evidence=facts)


def crosstalk(evidence: Evidence) -> Iterator[Finding]:
    """A copy of the other line's steps on a line at rest."""
    for found in evidence.couplings:
        detail = f"{found.percent:.2g} % of the other line's swing show on the {line_words(found.role)}"
        facts = {"percent": found.percent, "shots": list(found.shots)}
        yield make_finding("crosstalk", found.role, detail + ".", evidence=facts)


def probe_ratio(evidence: Evidence) -> Iterator[Finding]:
    """A swing ten times too large or too small for the line's family."""
    for role in ROLES:
        ratio = ratio_of(evidence, role)
        if ratio is None:
            continue
        line = evidence.lines[role]
        swing = line.swing_v or line.high_v or 0.0
        seen = "a swing" if line.swing_v else "a level"
        detail = (
            f"the {line_words(role)} shows {seen} of {volts(swing)}, about "
            f"{'ten times' if ratio.factor > 1 else 'one tenth of'} what logic family {ratio.family.name} has"
        )
        facts = {
            "swing_v": swing, "readings_too_large_by": ratio.factor, "family": ratio.family.name,
            "ambiguous": bool(ratio.ambiguous),
        }  # fmt: skip
        yield make_finding("probe-ratio", role, detail + (ratio.ambiguous or "."), evidence=facts)


def ratio_of(evidence: Evidence, role: str) -> Ratio | None:
    """The wrong probe factor that the line's levels point to, None when they fit or point elsewhere.

    Judged against the stated family, so that two wrong probes are found too; without one against all
    families.
    """
    line = evidence.lines[role]
    if line.low_v is None or line.high_v is None:
        return _of_rest(line.high_v, evidence)
    swing = line.high_v - line.low_v
    if evidence.expectation.logic is not None and evidence.family is not None:
        return _against(swing, evidence.family)
    if likely_family(line.low_v, line.high_v) is not None:
        return None
    for factor in (0.1, 10.0):
        likely = likely_family(line.low_v / factor, line.high_v / factor)
        if likely is not None:
            return Ratio(factor, likely, _doubt(swing / factor))
    return None


def _of_rest(high_v: float | None, evidence: Evidence) -> Ratio | None:
    """The same for a line at rest, whose high level alone is known: over zero, as the swing would be."""
    fam = evidence.family
    return _against(high_v, fam) if high_v and fam is not None and not fam.bipolar else None


def _against(swing_v: float, family: Family) -> Ratio | None:
    if not swing_v > 0:
        return None
    decades = math.log10(swing_v / family.supply_v)
    if abs(abs(decades) - 1) > math.log10(RATIO_SPREAD):
        return None
    factor = 10.0 if decades > 0 else 0.1
    return Ratio(factor, family, _doubt(swing_v / factor) if factor < 1 else "")


def _doubt(true_swing_v: float) -> str:
    """RS-232 drivers give 10 to 30 V of swing: a tenth of that may be a logic line of low voltage as well."""
    if true_swing_v < 0.45 * FAMILIES[-1].supply_v:
        return ""
    return (
        "; this is ambiguous: an RS-232 line at one tenth looks like a weak or low-voltage line at the "
        "right factor. "
        "Look at the probe's switch."
    )


def channel_inverted(evidence: Evidence) -> Iterator[Finding]:
    """The volts of a line have the wrong sign."""
    for role in ROLES:
        line = evidence.lines[role]
        if polarity.channel_inverted(evidence, role):
            detail = (
                f"{line.channel} moves between {volts(line.low_v or 0.0)} and {volts(line.high_v or 0.0)}."
            )
            facts = {"channel": line.channel, "low_v": line.low_v, "high_v": line.high_v}
            yield make_finding("channel-inverted", role, detail, evidence=facts)


def compensation_error(evidence: Evidence, role: str) -> Value | None:
    """The probe's compensation error in percent of the step, where it is surely more than
    COMPENSATION_PERCENT.

    Only looked for where the swing is not that of the family: a probe that is so far off shows the short bits
    of traffic by about as much too large or too small.
    """
    line, fam = evidence.lines[role], evidence.family
    if fam is None or not line.swing_v or abs(line.swing_v / fam.supply_v - 1) < SWING_OFF:
        return None
    seen = [found for _, r in evidence.readings(role) if (found := slow_part(r)) is not None]
    if not seen:
        return None
    least = min(seen, key=lambda v: abs(v.value) - v.u)
    return least if abs(least.value) - least.u > COMPENSATION_PERCENT else None


def compensation(evidence: Evidence) -> Iterator[Finding]:
    """Steps that begin too large or too small and settle within tens of bits: the probe's trimmer."""
    for role in ROLES:
        found = compensation_error(evidence, role)
        if found is not None:
            code = "probe-overcompensated" if found.value > 0 else "probe-undercompensated"
            detail = f"steps on the {line_words(role)} begin {found.value:+.2g} % off and settle later"
            facts = {"percent": found.value, "u": found.u}
            yield make_finding(code, role, detail + ".", evidence=facts)


def zero_shift(evidence: Evidence, role: str) -> float | None:
    """Volts by which both levels lie off, None when they do not (or are bipolar)."""
    if polarity.channel_inverted(evidence, role):
        return None
    line, fam = evidence.lines[role], evidence.family
    swing = line.swing_v
    if fam is None:
        fam = next(
            (f for f in FAMILIES if not f.bipolar and swing and abs(swing / f.supply_v - 1) < 0.1), None
        )
    if fam is None or fam.bipolar or not swing or line.low_v is None or line.high_v is None:
        return None
    if abs(swing / fam.supply_v - 1) > 0.2:
        return _shift_from_other(evidence, role)
    least = evidence.expectation.limits.zero_shift_percent / 100 * fam.supply_v
    low_off, high_off = line.low_v, line.high_v - fam.supply_v
    same_way = low_off * high_off > 0 and abs(low_off - high_off) < 0.5 * max(abs(low_off), abs(high_off))
    return low_off if same_way and abs(low_off) > least else None


def _shift_from_other(evidence: Evidence, role: str) -> float | None:
    """The same where the family does not say how far an output swings: by an alike swing on the other line.

    That line must lie where the family's receiver understands it.
    """
    line, other = evidence.lines[role], evidence.lines[FROM_TARGET if role == TO_TARGET else TO_TARGET]
    fam, swing, reference = evidence.family, line.swing_v, other.swing_v
    if fam is None or not swing or not reference or other.low_v is None or other.high_v is None:
        return None
    if not -0.1 * swing < other.low_v <= fam.vil_max_v or abs(swing / reference - 1) > SAME_SWING:
        return None
    shift = 0.5 * ((line.low_v or 0.0) - other.low_v + (line.high_v or 0.0) - other.high_v)
    least = evidence.expectation.limits.zero_shift_percent / 100 * swing
    return shift if abs(shift) > least else None


def zero_shifted(evidence: Evidence) -> Iterator[Finding]:
    """The swing is right but both levels lie off by the same amount."""
    for role in ROLES:
        shift = zero_shift(evidence, role)
        if shift is not None:
            detail = f"those of the {line_words(role)} lie {shift:+.3g} V off"
            yield make_finding("zero-shifted", role, detail + ".", evidence={"shift_v": shift})


def clipped(evidence: Evidence) -> Iterator[Finding]:
    """A state lies at an end of the converter's range."""
    for role in ROLES:
        ends = [
            end
            for end, flag in (("low", "clipped_low"), ("high", "clipped_high"))
            if any(r.levels is not None and getattr(r.levels, flag) for _, r in evidence.readings(role))
        ]
        if ends:
            detail = f"the {' and the '.join(ends)} level of the {line_words(role)} cannot be told"
            yield make_finding("clipped", role, detail + ".", evidence={"ends": ends})


def levels_spoiled(evidence: Evidence, role: str) -> bool:
    """True where the bench explains odd levels on the line, so that the firmware is not blamed."""
    return (
        ratio_of(evidence, role) is not None
        or compensation_error(evidence, role) is not None
        or zero_shift(evidence, role) is not None
        or polarity.channel_inverted(evidence, role)
        or any(True for f in clipped(evidence) if f.line == role)
        or (role == FROM_TARGET and bool(evidence.bridged))
    )


def glitches(evidence: Evidence) -> Iterator[Finding]:
    """Pulses too short for a character."""
    for role in ROLES:
        found = sum(r.edges.glitches for _, r in evidence.readings(role))
        if found:
            detail = f"{many(found, 'pulse')} on the {line_words(role)}"
            yield make_finding("glitches", role, detail + ".", evidence={"count": found})
