"""Sent and echoed characters, paired by least edit within each shot: ok, missing, extra, changed, moved."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.pipeline.alignment import Pair, Sequence, align
from service.pipeline.arrays import median
from service.pipeline.readings import BREAK, CUT, Characters

OK, MISSING, EXTRA, CHANGED, MOVED = "ok", "missing", "extra", "changed", "moved"

EARLIEST_BITS = -0.5
"""An echo cannot honestly start before the receiver could accept the stop bit: its middle (memory of the
trade).
"""
MOVED_SPAN = 64
"""How far from its place, in characters, a character is still the same one rather than a lost and an added
one.
"""
VOTE_SPAN = 64
"""How many characters an echo is looked for around its place when the usual delay is found."""


@dataclass(frozen=True)
class Echo:
    """One sent character and what came of it; seconds.

    `sent_index` and `echo_index` count the characters of the two lines of that shot. `judged` is False where
    the record cannot say (cut off at its end, begun in the middle of the traffic).
    """

    shot: int
    sent: int | None
    echoed: int | None
    status: str
    start_to_start_s: float | None
    stop_end_to_start_s: float | None
    sent_index: int | None = None
    echo_index: int | None = None
    judged: bool = True
    earlier: bool = False
    """An extra one that answers what was sent before the shot: nobody's fault in this one."""


def pair_characters(
    shot: int,
    sent: Characters,
    echoed: Characters,
    bit_time_s: float,
    *,
    causal: bool = True,
    frame_s: float | None = None,
) -> tuple[Echo, ...]:
    """Echoes of one shot in the order in which they were sent; extra ones stand where they came.

    Characters that differ in value are paired as `changed` where that needs fewer edits than a missing and an
    extra one. A missing and an extra character of one value are one that `moved`. With `causal` False pairs
    may start at any time: for the question whether the two lines are one node. `frame_s` is the shortest that
    a character can have been, where the rate is in doubt. Breaks are left out: they are no characters.
    """
    sent_at, echoed_at = _speaking(sent), _speaking(echoed)
    left, right = _sequence(sent, sent_at), _sequence(echoed, echoed_at)
    seen_s = median(left.end_s - left.start_s) if len(left) else 10 * bit_time_s
    earliest = EARLIEST_BITS * bit_time_s + min((frame_s or seen_s) - seen_s, 0.0) if causal else None
    usual = usual_delay(left, right, earliest, bit_time_s) if causal else -seen_s
    pairs = align(left, right, earliest, usual, 4 * seen_s)
    echoes = _join_moved([_echo(shot, left, right, pair) for pair in pairs], left, right, earliest, usual)
    echoes = _untangle(echoes, left, right, earliest)
    return tuple(_in_line(e, sent_at, echoed_at) for e in echoes)


def _speaking(characters: Characters) -> NDArray[np.int64]:
    """Indices of what is a character at all: a break says nothing."""
    return np.flatnonzero((characters.errors & BREAK) == 0)


def _in_line(echo: Echo, sent_at: NDArray[np.int64], echoed_at: NDArray[np.int64]) -> Echo:
    """The same with indices that count all characters of the lines."""
    return replace(
        echo,
        sent_index=None if echo.sent_index is None else int(sent_at[echo.sent_index]),
        echo_index=None if echo.echo_index is None else int(echoed_at[echo.echo_index]),
    )


def usual_delay(sent: Sequence, echoed: Sequence, earliest_s: float | None, bit_time_s: float) -> float:
    """The delay (end of stop bit to start of the echo, seconds) that most equal characters agree on.

    Each pair of equal characters votes for its delay; the window of half a bit with the most votes
    wins, of several the shortest. Zero when nothing can be paired.
    """
    width = max(0.5 * bit_time_s, 1e-12)
    lags = range(-VOTE_SPAN, VOTE_SPAN + 1)
    votes = (
        np.concatenate([_delays(sent, echoed, lag) for lag in lags])
        if len(sent) and len(echoed)
        else np.empty(0)
    )
    votes = votes[votes >= (earliest_s if earliest_s is not None else -np.inf)]
    if not len(votes):
        return 0.0
    votes = np.sort(votes)
    until = np.searchsorted(votes, votes + width, side="right")
    first = int(np.argmax(until - np.arange(len(votes))))
    return median(votes[first : until[first]])


def _delays(sent: Sequence, echoed: Sequence, lag: int) -> NDArray[np.float64]:
    """Delays of the equal characters that stand `lag` places apart."""
    i = np.arange(max(0, -lag), min(len(sent), len(echoed) - lag))
    if not len(i):
        return np.empty(0)
    i = i[sent.values[i] == echoed.values[i + lag]]
    return np.asarray(echoed.start_s[i + lag] - sent.end_s[i], dtype=np.float64)


def _sequence(characters: Characters, at: NDArray[np.int64]) -> Sequence:
    whole = (characters.errors[at] & CUT) == 0
    return Sequence(characters.values[at], characters.start_s[at], characters.end_s[at], whole)


def _echo(shot: int, sent: Sequence, echoed: Sequence, pair: Pair) -> Echo:
    i, j = pair
    if i is None or j is None:
        return Echo(
            shot,
            None if i is None else int(sent.values[i]),
            None if j is None else int(echoed.values[j]),
            EXTRA if i is None else MISSING,
            None,
            None,
            i,
            j,
            judged=bool(sent.whole[i] if i is not None else echoed.whole[j]),
        )
    return _timed(
        Echo(shot, int(sent.values[i]), int(echoed.values[j]), _status(sent, echoed, i, j), None, None, i, j),
        sent,
        echoed,
    )


def _status(sent: Sequence, echoed: Sequence, i: int, j: int) -> str:
    if not echoed.whole[j]:
        return MISSING  # begun, but not seen to its end
    return OK if sent.values[i] == echoed.values[j] else CHANGED


def _timed(echo: Echo, sent: Sequence, echoed: Sequence) -> Echo:
    """The same with its two delays, and `judged` only if both characters were wholly seen."""
    i, j = echo.sent_index, echo.echo_index
    assert i is not None
    assert j is not None
    return replace(
        echo,
        start_to_start_s=float(echoed.start_s[j] - sent.start_s[i]),
        stop_end_to_start_s=float(echoed.start_s[j] - sent.end_s[i]),
        judged=bool(sent.whole[i] and echoed.whole[j]),
    )


def _join_moved(
    echoes: list[Echo], sent: Sequence, echoed: Sequence, earliest_s: float | None, usual_s: float
) -> list[Echo]:
    """A missing and an extra one of the same value are one that moved: those first whose delay is the most
    usual.
    """
    joined: dict[int, Echo] = {}
    used: set[int] = set()
    for _, at, j in sorted(_may_have_moved(echoes, sent, echoed, earliest_s, usual_s)):
        if at not in joined and j not in used:
            moved = replace(echoes[at], echoed=echoes[at].sent, status=MOVED, echo_index=j)
            joined[at] = _timed(moved, sent, echoed)
            used.add(j)
    return [
        joined.get(at, echo)
        for at, echo in enumerate(echoes)
        if not (echo.status == EXTRA and echo.echo_index in used)
    ]


def _untangle(echoes: list[Echo], sent: Sequence, echoed: Sequence, earliest_s: float | None) -> list[Echo]:
    """Two that came back as each other, when both had been sent by then, have changed places, not values.

    Only where that accounts for every changed one: else the values are in doubt.
    """
    changed = [at for at, echo in enumerate(echoes) if echo.status == CHANGED and echo.judged]
    partner: dict[int, int] = {}
    for n, at in enumerate(changed):
        if at in partner:
            continue
        for other in changed[n + 1 :]:
            a, b = echoes[at], echoes[other]
            if other not in partner and (a.sent, a.echoed) == (b.echoed, b.sent):
                crossed = _crossed(a, b, sent, echoed), _crossed(b, a, sent, echoed)
                if earliest_s is None or min(e.stop_end_to_start_s or 0.0 for e in crossed) >= earliest_s:
                    partner[at], partner[other] = other, at
                    break
    if len(partner) < len(changed):
        return echoes
    return [
        _crossed(echo, echoes[partner[at]], sent, echoed) if at in partner else echo
        for at, echo in enumerate(echoes)
    ]


def _crossed(echo: Echo, other: Echo, sent: Sequence, echoed: Sequence) -> Echo:
    """The character of one with the answer that stands at the other."""
    return _timed(replace(echo, echoed=echo.sent, status=MOVED, echo_index=other.echo_index), sent, echoed)


def _may_have_moved(
    echoes: list[Echo], sent: Sequence, echoed: Sequence, earliest_s: float | None, usual_s: float
) -> Iterator[tuple[float, int, int]]:
    """(how unusual the delay would be, place of the missing one, index of the extra one) of all pairs that
    may be.
    """
    extras: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for at, echo in enumerate(echoes):
        if echo.status == EXTRA and echo.judged and echo.echoed is not None and echo.echo_index is not None:
            extras[echo.echoed].append((at, echo.echo_index))
    for at, echo in enumerate(echoes):
        if echo.status != MISSING or not echo.judged or echo.sent is None or echo.sent_index is None:
            continue
        there = extras.get(echo.sent, [])
        near = slice(bisect_left(there, (at - MOVED_SPAN,)), bisect_left(there, (at + MOVED_SPAN,)))
        for _, j in there[near]:
            delay = float(echoed.start_s[j] - sent.end_s[echo.sent_index])
            if earliest_s is None or delay >= earliest_s:
                yield abs(delay - usual_s), at, j


def count(echoes: Iterable[Echo], *statuses: str, judged_only: bool = True) -> int:
    """How many of the echoes have one of the statuses."""
    return sum(e.status in statuses and (e.judged or not judged_only) for e in echoes)


def starts_too_early(echoes: Iterable[Echo], soonest_s: float) -> int:
    """How many echoes of the right value start sooner after their character's start than any echo can."""
    return sum(
        e.status == OK and e.start_to_start_s is not None and e.start_to_start_s < soonest_s for e in echoes
    )
