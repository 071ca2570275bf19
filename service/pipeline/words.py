"""Edges from those words of a record that differ from the word before them (see scan.py).

Each sample of such a word is compared with the middle, which leaves bytes of 0 and 1. The word shifted by one
byte, with the last sample before it moved in, and XORed with itself has a 1 where the line crosses the
middle. The sample before a word is known without looking: words in between were all equal to the last one
that differed.

A burst is a row of neighbouring differing words. Its last word is the state in which the line then rests. A
burst with one crossing is an edge. A burst with more is done sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import distinct
from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples, interpolate

WORD = 8
"""Bytes."""
PIECE = 1 << 15
"""Differing words done at a time: their arrays stay in the cache, and the memory of one serves the next."""


@dataclass(frozen=True, eq=False)
class Flagged:
    """Words of a record that differ from the word before; both of shape (words,)."""

    index: NDArray[np.int64]
    """Ascending."""
    words: NDArray[np.uint64]
    """Their codes as they lie in memory."""


@dataclass(frozen=True, eq=False)
class _Bursts:
    """The differing words of one record, compared with the middle."""

    flagged: NDArray[np.int64]
    words: NDArray[np.uint64]
    kind: np.dtype[Any]
    """Type of the codes."""
    above: NDArray[Any]
    """Shape (words,): one byte a sample, 1 = above the middle."""
    before: NDArray[Any]
    """Shape (words,): the same of the sample before the word, in the lowest byte."""
    number: NDArray[np.int64]
    """Shape (words,), ascending: the same for all words of one burst."""
    ends: NDArray[np.int64]
    """Shape (bursts,): place of each burst's last word in the arrays above."""


def crossings_by_words(
    codes: NDArray[Any], flagged: Flagged, limits: Thresholds, middle: float
) -> Crossings | None:
    """Edges in samples; None where the words do not tell all states (the caller then goes by samples)."""
    parts: list[Crossings] = []
    start, last_above = 0, None
    while start < len(flagged.index):
        stop = _end_of_burst(flagged.index, min(start + PIECE, len(flagged.index)))
        piece = Flagged(flagged.index[start:stop], flagged.words[start:stop])
        bursts = _bursts(piece, codes.dtype, limits, last_above)
        if not _all_settled(bursts, limits):
            return None
        parts.append(_crossings(codes, bursts, limits, middle))
        start, last_above = stop, bool(bursts.above[-1] & 1)
    found = Crossings.joined([*parts, _after_last_word(codes, limits, middle)])
    alternating = (found.rising[1:] != found.rising[:-1]).all()
    return found if alternating else None


def _end_of_burst(index: NDArray[np.int64], stop: int) -> int:
    """The first place from `stop` on at which a new burst begins."""
    while stop < len(index) and index[stop] == index[stop - 1] + 1:
        stop += 1
    return stop


def _bursts(flagged: Flagged, kind: np.dtype[Any], limits: Thresholds, last_above: bool | None) -> _Bursts:
    """`last_above` is the state in which the words before these end; None at the head of the record."""
    per_word = WORD // kind.itemsize
    above = (flagged.words.view(kind) >= limits.middle).view(f"u{per_word}")
    before = np.empty_like(above)
    before[0] = above[0] & 1 if last_above is None else last_above
    np.right_shift(above[:-1], 8 * (per_word - 1), out=before[1:])
    number = flagged.index - np.arange(len(flagged.index))
    ends = np.append(np.flatnonzero(number[1:] != number[:-1]), len(number) - 1)
    return _Bursts(flagged.index, flagged.words, kind, above, before, number, ends)


def _crossings(codes: NDArray[Any], bursts: _Bursts, limits: Thresholds, middle: float) -> Crossings:
    """Edges of the bursts: at once where one is alone in its burst, else sample by sample."""
    toggles = bursts.above ^ ((bursts.above << 8) | bursts.before)
    hits = np.flatnonzero(toggles)
    crossed, burst = toggles[hits], bursts.number[hits]
    below = crossed - crossed.dtype.type(1)
    several = (crossed & below) != 0
    again = burst[1:] == burst[:-1]
    several[1:] |= again
    several[:-1] |= again
    # the lowest set bit of a word of 0/1 bytes, in samples
    place = np.bitwise_count(crossed ^ below) >> 3
    if not several.any():
        return Crossings(_positions(codes, bursts, hits, place, middle), bursts.before[hits] == 0)
    single = hits[~several]
    found = Crossings(_positions(codes, bursts, single, place[~several], middle), bursts.before[single] == 0)
    return _merged(found, _sample_by_sample(bursts, distinct(burst[several]), limits, middle))


def _positions(
    codes: NDArray[Any], bursts: _Bursts, hits: NDArray[np.int64], place: NDArray[Any], middle: float
) -> NDArray[np.float64]:
    """Where the crossings in the words `hits`, before the sample `place` of each, meet the middle."""
    per_word = bursts.above.itemsize
    samples = bursts.words.view(bursts.kind)
    at = hits * per_word + place
    first_new = bursts.flagged[hits] * per_word + place
    after, before = samples[at], samples[at - 1]
    # the word before the first of a burst is not among them
    border = np.flatnonzero((place == 0) & (bursts.number[hits] != bursts.number[hits - 1]))
    before[border] = codes[first_new[border] - 1]
    return interpolate(before, after, first_new, middle)


def _all_settled(bursts: _Bursts, limits: Thresholds) -> bool:
    """Whether the last word of every burst lies in one state and reaches it."""
    samples, above = bursts.words[bursts.ends].view(bursts.kind), bursts.above[bursts.ends]
    all_above = np.frombuffer(b"\x01" * above.itemsize, above.dtype)[0]
    reaches_high = (samples >= limits.high).view(above.dtype) != 0
    reaches_low = (samples <= limits.low).view(above.dtype) != 0
    settled = ((above == all_above) & reaches_high) | ((above == 0) & reaches_low)
    return bool(settled.all())


def _sample_by_sample(
    bursts: _Bursts, hard: NDArray[np.int64], limits: Thresholds, middle: float
) -> Crossings:
    """Edges of the hard bursts; each is led by the word before it, in which the line still rests."""
    burst = np.searchsorted(bursts.number[bursts.ends], hard)
    led = np.maximum(np.append(0, bursts.ends[:-1] + 1)[burst] - 1, 0)
    lengths = bursts.ends[burst] - led + 1
    starts = np.cumsum(lengths) - lengths
    words = np.arange(lengths.sum()) - np.repeat(starts - led, lengths)
    found = crossings_by_samples(bursts.words[words].view(bursts.kind), limits, middle)
    width = bursts.above.itemsize
    after = np.ceil(found.positions).astype(np.int64)
    where = bursts.flagged[words][after // width] * width + after % width
    return Crossings(where - (after - found.positions), found.rising, found.runts)


def _merged(one: Crossings, other: Crossings) -> Crossings:
    positions = np.append(one.positions, other.positions)
    order = np.argsort(positions, kind="stable")
    return Crossings(positions[order], np.append(one.rising, other.rising)[order], one.runts + other.runts)


def _after_last_word(codes: NDArray[Any], limits: Thresholds, middle: float) -> Crossings:
    """Edges in the few samples that fill no word."""
    per_word = WORD // codes.itemsize
    start = (len(codes) // per_word - 1) * per_word
    rest = codes[start:]
    if len(rest) == per_word or (rest > limits.low).all() or (rest < limits.high).all():
        return Crossings(np.zeros(0), np.zeros(0, np.bool_))
    found = crossings_by_samples(codes[start:], limits, middle)
    late = found.positions > per_word - 1
    return Crossings(found.positions[late] + start, found.rising[late])
