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

from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples, interpolate

WORD = 8
"""Bytes."""


@dataclass(frozen=True)
class _Bursts:
    """The differing words of one record, compared with the middle."""

    flagged: NDArray[np.int64]
    raw: NDArray[Any]
    """Shape (words, samples of a word): their codes."""
    above: NDArray[Any]
    """Shape (words,): one byte a sample, 1 = above the middle."""
    before: NDArray[Any]
    """Shape (words,): the same of the sample before the word, in the lowest byte."""
    ends: NDArray[np.int64]
    """Shape (bursts,): place of each burst's last word in the arrays above."""


def crossings_by_words(
    codes: NDArray[Any], flagged: NDArray[np.int64], limits: Thresholds, middle: float
) -> Crossings | None:
    """Edges in samples; None where the words do not tell all states (the caller then goes by samples)."""
    bursts = _bursts(codes, flagged, limits)
    if not _all_settled(bursts, limits):
        return None
    toggles = bursts.above ^ ((bursts.above << 8) | bursts.before)
    hits = np.flatnonzero(toggles)
    crossed = toggles[hits]
    # the lowest set bit of a word of 0/1 bytes, in samples
    place = np.bitwise_count(crossed ^ (crossed - crossed.dtype.type(1))) >> 3
    first_new = flagged[hits] * bursts.raw.shape[1] + place
    rising = bursts.before[hits] == 0
    simple, hard = _simple(bursts, hits, crossed)
    found = Crossings(interpolate(codes, first_new[simple], middle), rising[simple])
    if len(hard):
        found = _merged(found, _sample_by_sample(bursts, hard, limits, middle))
    found = Crossings.joined([found, _after_last_word(codes, limits, middle)])
    alternating = (found.rising[1:] != found.rising[:-1]).all()
    return found if alternating else None


def _bursts(codes: NDArray[Any], flagged: NDArray[np.int64], limits: Thresholds) -> _Bursts:
    per_word = WORD // codes.itemsize
    raw = codes[: len(codes) // per_word * per_word].view(np.uint64)[flagged].view(codes.dtype)
    above = (raw >= limits.middle).view(f"u{per_word}")
    before = np.empty_like(above)
    before[0] = above[0] & 1
    np.right_shift(above[:-1], 8 * (per_word - 1), out=before[1:])
    ends = np.flatnonzero(np.diff(flagged, append=flagged[-1] + 2) != 1)
    return _Bursts(flagged, raw.reshape(-1, per_word), above, before, ends)


def _all_settled(bursts: _Bursts, limits: Thresholds) -> bool:
    """Whether the last word of every burst lies in one state and reaches it."""
    raw, above = bursts.raw[bursts.ends], bursts.above[bursts.ends]
    kind = above.dtype
    all_above = np.frombuffer(b"\x01" * kind.itemsize, kind)[0]
    reaches_high = (raw >= limits.high).view(kind)[:, 0] != 0
    reaches_low = (raw <= limits.low).view(kind)[:, 0] != 0
    return bool(np.where(above == all_above, reaches_high, (above == 0) & reaches_low).all())


def _simple(
    bursts: _Bursts, hits: NDArray[np.int64], crossed: NDArray[Any]
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Which crossings are alone in their burst, and the bursts that have several."""
    burst = np.searchsorted(bursts.ends, hits)
    several = np.bitwise_count(crossed) > 1
    again = burst[1:] == burst[:-1]
    several[1:] |= again
    several[:-1] |= again
    return ~several, np.unique(burst[several])


def _sample_by_sample(
    bursts: _Bursts, hard: NDArray[np.int64], limits: Thresholds, middle: float
) -> Crossings:
    """Edges of the hard bursts; each is led by the word before it, in which the line still rests."""
    firsts = np.append(0, bursts.ends[:-1] + 1)[hard]
    led = np.maximum(firsts - 1, 0)
    lengths = bursts.ends[hard] - led + 1
    starts = np.cumsum(lengths) - lengths
    words = np.arange(lengths.sum()) - np.repeat(starts - led, lengths)
    samples = bursts.raw[words]
    found = crossings_by_samples(samples.ravel(), limits, middle)
    width = samples.shape[1]
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
    found = crossings_by_samples(codes[start:], limits, middle)
    late = found.positions > per_word - 1
    return Crossings(found.positions[late] + start, found.rising[late])
