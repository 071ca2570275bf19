"""Which line spoke first, and which echo belongs to which character."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.echoes import (
    CHANGED,
    EARLIEST_BITS,
    EXTRA,
    MISSING,
    MOVED,
    OK,
    Echo,
    count,
    pair_characters,
    starts_too_early,
)  # fmt: skip
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Evidence, ReadShot, rate_candidates
from service.pipeline.quiet_lines import distance_to
from service.pipeline.readings import Characters, LineReading

OTHER = {TO_TARGET: FROM_TARGET, FROM_TARGET: TO_TARGET}
UNANSWERED_BITS = 9.0
"""An answer to a character of eight bits cannot start sooner after its start."""
FEWEST_ALIKE, MOST_ALIKE = 4, 0.9
"""Edges, and the share of them, at which two lines move together when they are one."""
ANOTHER_RATE = 1.2
"""Bit times of one node, each read from its own copy of it, never differ by such a factor."""
TOGETHER_BITS = 0.5
"""Characters that start within this many bit times of each other started together."""


def follow_the_traffic(evidence: Evidence) -> Evidence:
    """Give the roles to the lines by who spoke first and who answered, when the probes are exchanged."""
    votes = [_answers_backwards(shot) for shot in evidence.shots]
    if sum(votes) <= 0:
        return evidence
    shots, closeups = _swapped(evidence.shots), _swapped(evidence.closeups)
    couplings = tuple(replace(c, role=OTHER[c.role]) for c in evidence.couplings)
    given = tuple(f if f.line is None else replace(f, line=OTHER[f.line]) for f in evidence.given)
    return evidence.with_(shots=shots, closeups=closeups, couplings=couplings, given=given, exchanged=True)


def _swapped(shots: Sequence[ReadShot]) -> tuple[ReadShot, ...]:
    return tuple(replace(s, to_target=s.from_target, from_target=s.to_target) for s in shots)


def _answers_backwards(shot: ReadShot) -> int:
    """+1 when from-target speaks first and to-target answers it, -1 when it is as named, 0 when it does not
    show.
    """
    to, back = shot.to_target.characters, shot.from_target.characters
    if not len(to) or not len(back):
        return 0
    bit = _bit_time(shot)
    if back.start_s[0] >= to.start_s[0] - TOGETHER_BITS * bit:
        return -1
    named = _right(pair_characters(0, to, back, bit))
    exchanged = _right(pair_characters(0, back, to, bit))
    return int(exchanged > named) - int(named > exchanged)


def _right(echoes: Sequence[Echo]) -> float:
    """How well the characters answer each other: a changed answer is half an answer."""
    return count(echoes, OK, MOVED, judged_only=False) + 0.5 * count(echoes, CHANGED, judged_only=False)


def _bit_time(shot: ReadShot) -> float:
    for reading in (shot.to_target, shot.from_target):
        if reading.bit_time_s is not None:
            return reading.bit_time_s.value
    return 0.0


def pair_echoes(evidence: Evidence) -> Evidence:
    """Fill in `echoes`, and `bridged` where the from-target line is a twin of the to-target line."""
    echoes: list[Echo] = []
    bridged = []
    owed: list[int] = []
    for number, shot in enumerate(evidence.shots):
        owed += shot.owed
        to, back, bit = shot.to_target.characters, shot.from_target.characters, _bit_time(shot)
        frame_s = _shortest_frame(shot, evidence)
        pairs = pair_characters(number, to, back, bit, frame_s=frame_s)
        one_rate = _at_one_rate(shot)
        if one_rate and _may_be_bridged(to, back, bit):
            twins = pair_characters(number, to, back, bit, causal=False)
            if _is_bridged(pairs, twins, to, back, bit, _soonest(shot, evidence, frame_s, bit)):
                bridged.append(number)
                pairs = twins
        if one_rate and not _answered(pairs) and _move_alike(shot.to_target, shot.from_target, bit):
            bridged.append(number)
        if number in bridged:
            echoes += [replace(e, judged=False) for e in pairs]  # no echoes at all
        else:
            found = _with_window(pairs, shot, evidence)
            echoes += _without_debts(found, owed)
    return evidence.with_(echoes=tuple(echoes), bridged=tuple(bridged))


def _shortest_frame(shot: ReadShot, evidence: Evidence) -> float:
    """Start edge to the end of the FIRST stop bit on the to-target line, at the fastest rate that the record
    allows; seconds. A receiver is done with a character in the middle of that bit: it need not wait for a
    second one.
    """
    reading = shot.to_target
    if not len(reading.characters):
        return 0.0
    seen = median(reading.characters.end_s - reading.characters.start_s)
    if reading.frame is not None:
        seen *= (reading.frame.bits_to_last_data + 1) / reading.frame.total_bits
    rates = rate_candidates(reading)
    if evidence.expectation.baud is not None or reading.bit_time_s is None or not rates:
        return seen
    return seen * min(1.0, 1 / max(rates) / reading.bit_time_s.value)


def _soonest(shot: ReadShot, evidence: Evidence, frame_s: float, bit_time_s: float) -> float:
    """The least distance from start to start of a true echo: 9.5 bit times of 8N1.

    Where nobody stated the rate the record may have been read too slowly: then only what starts before the
    last edge of its character is surely no echo.
    """
    soonest = frame_s + EARLIEST_BITS * bit_time_s
    reading = shot.to_target
    seen = reading.characters.last_edge >= 0
    if evidence.expectation.baud is not None or not seen.any() or not len(reading.edges):
        return soonest
    last = reading.edges.times_s[reading.characters.last_edge[seen]]
    return min(soonest, median(last - reading.characters.start_s[seen]))


def _at_one_rate(shot: ReadShot) -> bool:
    """One node has one rate: lines that surely differ in it are two, wherever their edges fall."""
    one, other = shot.to_target.bit_time_s, shot.from_target.bit_time_s
    return one is None or other is None or 1 / ANOTHER_RATE < one.value / other.value < ANOTHER_RATE


def _may_be_bridged(to: Characters, back: Characters, bit_time_s: float) -> bool:
    """True when half of the to-target characters have one on the other line sooner than answers come."""
    if not len(to) or not len(back):
        return False
    return bool(np.mean(distance_to(to.start_s, back.start_s) < UNANSWERED_BITS * bit_time_s) >= 0.5)


def _answered(pairs: Sequence[Echo]) -> bool:
    return count(pairs, OK, CHANGED, MOVED, judged_only=False) > 0


def _move_alike(to: LineReading, back: LineReading, bit_time_s: float) -> bool:
    """True for two lines that move at the same instants, whatever they carry: a square wave, breaks."""
    if to.levels is None or back.levels is None or min(len(to.edges), len(back.edges)) < FEWEST_ALIKE:
        return False
    away = (
        distance_to(to.edges.times_s, back.edges.times_s),
        distance_to(back.edges.times_s, to.edges.times_s),
    )
    return all(bool(np.mean(d < TOGETHER_BITS * bit_time_s) > MOST_ALIKE) for d in away)


def _is_bridged(
    pairs: Sequence[Echo],
    twins: Sequence[Echo],
    to: Characters,
    back: Characters,
    bit_time_s: float,
    soonest_s: float,
) -> bool:
    """True when paying no heed to time explains more, by pairs that start too early to be echoes.

    Also when half of the characters are there twice: as a copy at the same time and as an echo.
    """
    early = starts_too_early(twins, soonest_s)
    if early and 2 * early >= count(twins, OK, judged_only=False) and _right(twins) > _right(pairs):
        return True
    together = 0
    for echo in pairs:
        if echo.status == EXTRA and echo.echo_index is not None and len(to):
            at = int(np.argmin(np.abs(to.start_s - back.start_s[echo.echo_index])))
            near = abs(to.start_s[at] - back.start_s[echo.echo_index]) < TOGETHER_BITS * bit_time_s
            together += bool(near and to.values[at] == echo.echoed)
    return together > 0 and 2 * together >= len(to)


def _without_debts(pairs: Sequence[Echo], owed: list[int]) -> list[Echo]:
    """Mark extra echoes that answer what was sent before; what this shot leaves open is owed from now on."""
    out = []
    for echo in pairs:
        if echo.status == EXTRA and echo.judged and echo.echoed in owed:
            owed.remove(echo.echoed)
            out.append(replace(echo, judged=False, earlier=True))
        else:
            out.append(echo)
    owed += [e.sent for e in pairs if e.status == MISSING and e.sent is not None]
    return out


def _with_window(pairs: Sequence[Echo], shot: ReadShot, evidence: Evidence) -> list[Echo]:
    """Mark what the record cannot say: the missing echo of one of the last characters, an echo of unseen
    ones.
    """
    to = shot.to_target.characters
    wait = answer_wait(pairs, shot, evidence)
    answered = max(
        (e.sent_index for e in pairs if e.echo_index is not None and e.sent_index is not None), default=-1
    )
    first_end = float(to.end_s[0]) if len(to) else np.inf
    out = []
    for echo in pairs:
        judged = echo.judged
        if echo.status == MISSING and echo.sent_index is not None and echo.sent_index > answered:
            judged = judged and shot.from_target.trace.end_s - float(to.end_s[echo.sent_index]) >= wait
        if echo.status == EXTRA and echo.echo_index is not None and shot.begun_in_traffic:
            judged = judged and bool(shot.from_target.characters.start_s[echo.echo_index] >= first_end)
        out.append(replace(echo, judged=judged))
    return out


def answer_wait(pairs: Sequence[Echo], shot: ReadShot, evidence: Evidence) -> float:
    """How long the record must go on after a character before its missing echo counts, seconds.

    Never longer than the latency limit, unless echoes are seen that came later than that: then a missing one
    may be as late, and being late is no missing.
    """
    limits = evidence.expectation.limits
    to = shot.to_target.characters
    frame_s = median(to.end_s - to.start_s) if len(to) else 0.0
    slowest = max((e.stop_end_to_start_s for e in pairs if e.stop_end_to_start_s is not None), default=0.0)
    usual = max(limits.answer_wait_characters * frame_s, 4 * slowest)
    return max(min(limits.latency_max_s, usual), 2 * slowest)
