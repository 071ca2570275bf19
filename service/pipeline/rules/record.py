"""Rules about the record: is there traffic, is all of it there, are there samples enough to believe it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.echoes import MISSING
from service.pipeline.evidence import FROM_TARGET, ROLES, TO_TARGET, Evidence, ReadShot, rate_candidates
from service.pipeline.families import Family
from service.pipeline.findings import FAIL, INFO, WARNING, Finding, make_finding
from service.pipeline.phrases import character, line_words, many, quantity, volts
from service.pipeline.readings import CUT
from service.pipeline.rules import noise

SAME_LENGTH = 0.05
"""Pulses that differ by less are of one length: half of what one bit in nine would make."""
IDLE_PART = 0.7
"""A line that rests at this part of the other line's swing or above is held high."""


def no_activity(evidence: Evidence) -> Iterator[Finding]:
    """No characters on the to-target line in any shot: there is nothing that could have been echoed."""
    if any(len(r.characters) for _, r in evidence.readings(TO_TARGET)):
        return
    if noise.hides_signal(evidence, TO_TARGET):
        return  # `noisy` says so
    if _per_bit(evidence, TO_TARGET, least=evidence.expectation.limits.samples_per_bit_min):
        return  # `too-few-samples` says so
    held = [r.flat_v for _, r in evidence.readings(TO_TARGET) if r.flat_v is not None]
    detail = f"it holds {volts(median(held))}" if held else "no levels could be told"
    answers = sum(len(r.characters) for _, r in evidence.readings(FROM_TARGET))
    if answers:
        detail += (
            f", yet the from-target line carries {many(answers, 'character')}: is the to-target probe on "
            f"its line, "
            "or are the probes exchanged and the firmware silent?"
        )
    yield make_finding("no-activity", TO_TARGET, detail if answers else detail + ".")


def line_undriven(evidence: Evidence) -> Iterator[Finding]:
    """The from-target line rests at a level at which no driven line of its family rests."""
    shots = [n for n, s in enumerate(evidence.shots) if _undriven(s, evidence.family)]
    if not shots:
        return
    level = median([evidence.shots[n].from_target.flat_v or 0.0 for n in shots])
    detail = f"it rests at {volts(level)}, where an output at rest would not hold it"
    if len(shots) < len(evidence.shots):
        detail += f", in {len(shots)} of {many(len(evidence.shots), 'shot')}"
    yield make_finding(
        "line-undriven", FROM_TARGET, detail + ".", evidence={"level_v": level, "shots": shots}
    )


def _undriven(shot: ReadShot, family: Family | None) -> bool:
    """By the to-target line's own levels where it has two, else by the family."""
    line, other = shot.from_target, shot.to_target
    if len(line.characters) or line.flat_v is None or line.levels is not None:
        return False
    if other.levels is None or other.idle_high is None:
        return family is not None and not _rests(line.flat_v, family, True)
    if family is not None and family.bipolar:
        return not _rests(line.flat_v, family, other.idle_high)
    part = (line.flat_v - other.levels.low_v) / other.levels.amplitude_v
    if not other.idle_high:
        return part > 1 - IDLE_PART
    by_family = family is not None and _rests(line.flat_v, family, True)
    return part < IDLE_PART and not by_family


def _rests(level_v: float, family: Family, idle_high: bool) -> bool:
    if family.bipolar:  # the idle state of RS-232 is negative
        return level_v >= family.vih_min_v if idle_high else level_v <= family.vil_max_v
    return level_v >= family.vih_min_v if idle_high else level_v <= family.vil_max_v


def trigger_outside_signal(evidence: Evidence) -> Iterator[Finding]:
    """The trigger level is not between the two levels of the to-target line: captures start anywhere or
    never.
    """
    for number, shot in enumerate(evidence.shots):
        levels, level = shot.to_target.levels, shot.trigger_level_v
        if level is None or levels is None or levels.low_v < level < levels.high_v:
            continue
        detail = (
            f"it is set to {volts(level)}, the to-target line moves between "
            f"{volts(levels.low_v)} and {volts(levels.high_v)}."
        )
        facts = {"shot": number, "level_v": level, "low_v": levels.low_v, "high_v": levels.high_v}
        yield make_finding("trigger-outside-signal", TO_TARGET, detail, evidence=facts)
        return


def stimulus_differs(evidence: Evidence) -> Iterator[Finding]:
    """What the PC wrote against what the to-target line carried."""
    if not evidence.shots:
        return
    carried = [_carried(s) for s in evidence.shots]
    stated = [s.sent for s in evidence.shots]
    if all(s is None for s in stated):
        if evidence.expectation.sent is None:
            return
        carried, stated = [[v for c in carried for v in c]], [evidence.expectation.sent]
    mask = _mask(evidence)
    for number, (sent, seen) in enumerate(zip(stated, carried, strict=True)):
        expected = [] if sent is None else [b & mask for b in sent]
        if sent is None or expected == seen or (_cut_off(evidence, number) and _holds(expected, seen)):
            continue
        yield _differs(number, [b & mask for b in sent], seen)
        return


def _cut_off(evidence: Evidence, number: int) -> bool:
    """True when the shot's record need not hold all that was sent."""
    shot = evidence.shots[number]
    return shot.begun_in_traffic or bool((shot.to_target.characters.errors & CUT).any())


def _holds(sent: list[int], seen: list[int]) -> bool:
    """True when what was seen is a piece of what was sent."""
    return any(sent[i : i + len(seen)] == seen for i in range(len(sent) - len(seen) + 1))


def _differs(number: int, sent: list[int], seen: list[int]) -> Finding:
    at = next(
        (i for i, (a, b) in enumerate(zip(sent, seen, strict=False)) if a != b), min(len(sent), len(seen))
    )
    detail = f"{many(len(sent), 'character')} sent, {len(seen)} seen"
    if at < len(sent) and at < len(seen):
        detail += f"; character {at} is the first difference: {character(sent[at])} sent, "
        detail += f"{character(seen[at])} seen"
    facts = {"shot": number, "sent": bytes(b & 0xFF for b in sent).hex(), "seen": [int(v) for v in seen]}
    return make_finding("stimulus-differs", TO_TARGET, detail + ".", evidence=facts)


def _carried(shot: ReadShot) -> list[int]:
    characters = shot.to_target.characters
    return [int(v) for v in characters.values[(characters.errors & CUT) == 0]]


def _mask(evidence: Evidence) -> int:
    frame = evidence.lines[TO_TARGET].frame
    return (1 << min(frame.data_bits, 8)) - 1 if frame else 0xFF


def capture_cut(evidence: Evidence) -> Iterator[Finding]:
    """Characters cut off at the ends of the record, and echoes that could have come after its end."""
    for role in ROLES:
        cut = {n: int(np.sum((r.characters.errors & CUT) != 0)) for n, r in evidence.readings(role)}
        cut = {n: c for n, c in cut.items() if c}
        if cut:
            detail = (
                f"{many(sum(cut.values()), 'character')} on the {line_words(role)} is cut off at its ends"
            )
            yield make_finding(
                "capture-cut", role, detail + ".", evidence={"shots": sorted(cut), "cut": "character"}
            )
    open_ends = [
        e
        for e in evidence.echoes
        if e.status == MISSING and not e.judged and e.echo_index is None and e.shot not in evidence.bridged
    ]
    if open_ends:
        detail = (
            f"it ends before the echo of {many(len(open_ends), 'character')} had to be there, so that a "
            f"missing echo "
            "cannot be told from a late one"
        )
        facts = {"shots": sorted({e.shot for e in open_ends}), "cut": "echo", "count": len(open_ends)}
        yield make_finding("capture-cut", None, detail + ".", evidence=facts)


def too_few_samples(evidence: Evidence) -> Iterator[Finding]:
    """Samples a bit below the limits, and edges too steep for their duration to be measured."""
    limits = evidence.expectation.limits
    for role in ROLES:
        line = evidence.lines[role]
        found = line.samples_per_bit or _per_bit(evidence, role, least=limits.samples_per_bit_min)
        if found is not None and found < limits.samples_per_bit_warn:
            refused = found < limits.samples_per_bit_min
            detail = f"{found:.3g} a bit on the {line_words(role)}" + (
                f", fewer than {limits.samples_per_bit_min:g}: nothing is claimed about times and contents"
                if refused else f", fewer than {limits.samples_per_bit_warn:g}"
            )  # fmt: skip
            severity = FAIL if refused else WARNING
            yield make_finding(
                "too-few-samples", role, detail + ".", severity=severity, evidence={"per_bit": found}
            )
        steep = [w for w, t in (("rise_time", line.rise), ("fall_time", line.fall)) if t and t.value is None]
        if steep:
            under = max(t.under_s for t in (line.rise, line.fall) if t and t.value is None)
            detail = (
                f"the edges of the {line_words(role)} take less than {limits.samples_per_edge_min:g} samples "
                f"({quantity(under, 's')}), so that rise and fall time are only known to be shorter"
            )
            facts = {"quantities": steep, "under_s": under}
            yield make_finding("too-few-samples", role, detail + ".", severity=INFO, evidence=facts)


def _per_bit(evidence: Evidence, role: str, least: float) -> float | None:
    """Samples a bit of a line that moves and on which no character could be read, where they are fewer."""
    baud = evidence.expectation.baud
    moving = [r for _, r in evidence.readings(role) if r.levels is not None and not len(r.characters)]
    if baud is None or not moving:
        return None
    found = 1 / (baud * moving[0].trace.interval_s)
    return found if found < least else None


def rate_ambiguous(evidence: Evidence) -> Iterator[Finding]:
    """Several rates explain the record; only when none was stated.

    A from-target line that fits the to-target line's certain rate is not in doubt: it answers in kind.
    """
    if evidence.expectation.baud is not None:
        return
    doubted = {role: _candidates(evidence, role) or _by_one_length(evidence, role) for role in ROLES}
    if not doubted[TO_TARGET] and _same_rate(evidence):
        doubted[FROM_TARGET] = []
    for role, candidates in doubted.items():
        if len(candidates) > 1:
            shown = ", ".join(f"{c:.6g}" for c in candidates[:6])
            detail = f"the {line_words(role)} allows {shown} Bd"
            yield make_finding("rate-ambiguous", role, detail + ".", evidence={"candidates_bd": candidates})


def _same_rate(evidence: Evidence) -> bool:
    to, back = (evidence.lines[role].bit_time for role in ROLES)
    return to is not None and back is not None and abs(to.value / back.value - 1) < SAME_LENGTH


def _candidates(evidence: Evidence, role: str) -> list[float]:
    """The rates that the fullest shot allows; none where one of the shots leaves only one."""
    full = [r for _, r in evidence.readings(role) if len(r.characters)]
    if not full or any(len(rate_candidates(r)) == 1 for r in full):
        return []
    return rate_candidates(max(full, key=lambda r: len(r.characters)))


def _by_one_length(evidence: Evidence, role: str) -> list[float]:
    """Rates by which a line may run on which all characters are one pulse of one length: any whole part of
    it.

    Nine bits of 0x00, seven of 0xC0 or one of 0xFF cannot be told apart by their length alone, however many
    there are.
    """
    pulses: list[float] = []
    for _, reading in evidence.readings(role):
        c, times = reading.characters, reading.edges.times_s
        whole = (c.first_edge >= 0) & (c.last_edge >= 0)
        if (c.last_edge[whole] - c.first_edge[whole] != 1).any():
            return []
        pulses += (times[c.last_edge[whole]] - times[c.first_edge[whole]]).tolist()
    if not pulses or max(pulses) > (1 + SAME_LENGTH) * min(pulses):
        return []
    return [bits / median(pulses) for bits in range(9, 0, -1)]


def format_ambiguous(evidence: Evidence) -> Iterator[Finding]:
    """Several frame formats explain the record; only when none was stated."""
    if evidence.expectation.frame is not None:
        return
    for role in ROLES:
        possible = evidence.lines[role].possible
        if len(possible) > 1:
            shown = ", ".join(str(f) for f in possible[:6])
            detail = f"the {line_words(role)} allows {shown}; it was read as {evidence.lines[role].frame}"
            facts = {"possible": [str(f) for f in possible]}
            yield make_finding("format-ambiguous", role, detail + ".", evidence=facts)
