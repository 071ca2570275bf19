"""Where a line crosses from one state to the other, found on raw codes at about the speed of reading them.

Theory of operation
A line rests in one of two states nearly all the time. So the record is clipped to the band between two
thresholds (hysteresis: a state is left only when the OTHER threshold is reached), one chunk at a time that
stays in the cache. Now a resting line is one constant, whatever its noise, and eight bytes of its samples,
seen as one 64-bit word, equal the eight before. Only words that differ from the word before are looked at
again (words.py): about two for each edge.

A line that is idle most of the time is first screened by rows, with one minimum or maximum each: a row that
never leaves the resting state need not be clipped at all.

Where much of the record differs, as with few samples a bit, or where the words do not tell the state between
two edges, the record is done sample by sample (hysteresis.py); both ways give the same edges.
Volts appear nowhere; the crossing is interpolated between two codes only where an edge is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples
from service.pipeline.words import WORD, crossings_by_words

CHUNK = 3 << 18
"""Bytes clipped at a time: with its flags a chunk stays in the second-level cache."""
ROW = 4096
"""Bytes of one row of the screening."""
DENSE = 0.15
"""Share of differing words above which sample by sample is cheaper."""
CALM = 0.7
"""Share of calm rows from which the screening pays."""


def find_crossings(codes: NDArray[Any], thresholds: Thresholds) -> Crossings:
    """All edges of contiguous codes (native integers or floats), alternating, in samples from the first."""
    limits = thresholds.as_type(codes.dtype)
    words = len(codes) * codes.itemsize // WORD
    if words > 1:
        flagged = differing_words(codes, limits)
        if len(flagged) < DENSE * words + 1:
            found = crossings_by_words(codes, flagged, limits, thresholds.middle)
            if found is not None:
                return found
    return crossings_by_samples(codes, limits, thresholds.middle)


def differing_words(codes: NDArray[Any], limits: Thresholds) -> NDArray[np.int64]:
    """Ascending indices of words that, clipped to the band, differ from the word before; the first one
    always.
    """
    words = len(codes) * codes.itemsize // WORD
    band = _Band(codes, limits, words)
    found = [np.zeros(1, np.int64)]
    for first, last in busy_spans(codes, limits, words):
        found += band.differing(first, last)
    return np.concatenate(found)


class _Band:
    """Clips chunk after chunk into one buffer whose first word is the last word of the chunk before."""

    def __init__(self, codes: NDArray[Any], limits: Thresholds, words: int) -> None:
        self.codes, self.limits = codes, limits
        self.per_word = WORD // codes.itemsize
        chunk = min(CHUNK // WORD, words)
        self.clipped = np.empty((chunk + 1) * self.per_word, codes.dtype)
        self.words = self.clipped.view(np.uint64)
        self.differs = np.empty(chunk, np.bool_)

    def differing(self, first: int, last: int) -> list[NDArray[np.int64]]:
        """Indices of the words in first..last-1 that differ from the word before them, chunk by chunk."""
        found, chunk = [], len(self.differs)
        self._clip(max(first - 1, 0), 1, 0)
        for start in range(first, last, chunk):
            count = min(chunk, last - start)
            self._clip(start, count, 1)
            differs = self.differs[:count]
            np.not_equal(self.words[1 : count + 1], self.words[:count], out=differs)
            hits = differs.nonzero()[0]
            hits += start
            found.append(hits)
            self.words[0] = self.words[count]
        return found

    def _clip(self, word: int, count: int, place: int) -> None:
        """Words of the record from `word` on -> the buffer from `place` on, clipped."""
        source, target = word * self.per_word, place * self.per_word
        size = count * self.per_word
        part = self.codes[source : source + size]
        np.clip(part, self.limits.low, self.limits.high, out=self.clipped[target : target + size])


def busy_spans(codes: NDArray[Any], limits: Thresholds, words: int) -> list[tuple[int, int]]:
    """Spans of words (first, last + 1) outside which the line rests in one and the same state."""
    width = ROW // codes.itemsize
    if len(codes) < 64 * width:
        return [(1, words)]
    table = codes[: len(codes) // width * width].reshape(-1, width)
    some = table[:: len(table) // 64]
    if (some.min(axis=1) >= limits.high).mean() >= CALM:
        busy = table.min(axis=1) < limits.high
    elif (some.max(axis=1) <= limits.low).mean() >= CALM:
        busy = table.max(axis=1) > limits.low
    else:
        return [(1, words)]
    # the part after the last whole row was not screened; the word after a busy row may still show its end
    rows = np.flatnonzero(np.append(busy, True))
    leaders = np.flatnonzero(np.diff(rows, prepend=-2) > 1)
    firsts, lasts = rows[leaders], rows[np.append(leaders[1:], len(rows)) - 1]
    per_row = ROW // WORD
    return [
        (max(int(first) * per_row, 1), min((int(last) + 1) * per_row + 1, words))
        for first, last in zip(firsts, lasts, strict=True)
    ]
