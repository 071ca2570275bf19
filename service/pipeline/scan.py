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
from service.pipeline.words import WORD, Flagged, crossings_by_words

CHUNK = 3 << 18
"""Bytes clipped at a time: with its flags a chunk stays in the second-level cache."""
ROW = 4096
"""Bytes of one row of the screening."""
ROW_WORDS = ROW // WORD
DENSE = 0.15
"""Share of differing words above which sample by sample is cheaper."""
SOME_ROWS = 20
"""Rows looked at to see whether the screening pays."""
CALM = 0.7
"""Share of calm rows from which the screening pays."""


def find_crossings(codes: NDArray[Any], thresholds: Thresholds) -> Crossings:
    """All edges of contiguous codes (native integers or floats), alternating, in samples from the first."""
    limits = thresholds.as_type(codes.dtype)
    words = len(codes) * codes.itemsize // WORD
    if words > 1:
        flagged = differing_words(codes, limits)
        if len(flagged.index) < DENSE * words + 1:
            found = crossings_by_words(codes, flagged, limits, thresholds.middle)
            if found is not None:
                return found
    return crossings_by_samples(codes, limits, thresholds.middle)


def differing_words(codes: NDArray[Any], limits: Thresholds) -> Flagged:
    """Words that, clipped to the band, differ from the word before them; the record's first one always."""
    words = codes[: len(codes) * codes.itemsize // WORD * WORD // codes.itemsize].view(np.uint64)
    found = _Differing(words[0], codes.dtype, limits, min(CHUNK // WORD, len(words)))
    rows = busy_rows(codes, limits)
    screened = 0 if rows is None else len(words) // ROW_WORDS * ROW_WORDS
    if rows is not None:
        table = words[:screened].reshape(-1, ROW_WORDS)
        for some in np.array_split(rows, len(rows) * ROW // CHUNK + 1):
            found.add_rows(table[some], some)
    for start in range(screened, len(words), CHUNK // WORD):
        found.add(words[start : start + CHUNK // WORD], start)
    return found.all()


class _Differing:
    """Clips piece after piece into one buffer whose first word is the last word of the piece before.

    The words found are taken while their piece is in the cache; later each would cost a trip to memory.
    """

    def __init__(self, first: np.uint64, kind: np.dtype[Any], limits: Thresholds, most: int) -> None:
        self.kind, self.limits = kind, limits
        self.clipped = np.empty(most + 1, np.uint64)
        self.differs = np.empty(most, np.bool_)
        self.parts = [(np.zeros(1, np.int64), np.array([first]))]
        np.clip(self.parts[0][1].view(kind), limits.low, limits.high, out=self.clipped[:1].view(kind))

    def add(self, words: NDArray[np.uint64], start: int) -> None:
        """The next words of the record, from word `start` on."""
        hits = self._hits(words)
        self.parts.append((hits + start, words[hits]))

    def add_rows(self, table: NDArray[np.uint64], rows: NDArray[np.int64]) -> None:
        """Rows of the record; rows left out between them rest as the row before them ends."""
        words = table.ravel()
        hits = self._hits(words)
        self.parts.append((rows[hits // ROW_WORDS] * ROW_WORDS + hits % ROW_WORDS, words[hits]))

    def _hits(self, words: NDArray[np.uint64]) -> NDArray[np.int64]:
        count = len(words)
        fresh, differs = self.clipped[1 : count + 1], self.differs[:count]
        np.clip(words.view(self.kind), self.limits.low, self.limits.high, out=fresh.view(self.kind))
        np.not_equal(fresh, self.clipped[:count], out=differs)
        self.clipped[0] = self.clipped[count]
        return differs.nonzero()[0]

    def all(self) -> Flagged:
        """Everything found, in the order of the record."""
        return Flagged(*(np.concatenate(parts) for parts in zip(*self.parts, strict=True)))


def busy_rows(codes: NDArray[Any], limits: Thresholds) -> NDArray[np.int64] | None:
    """Whole rows outside which the line rests in one and the same state; None where that would be most of
    them.

    The row after each busy one is among them: it shows how the line comes back.
    """
    width = ROW // codes.itemsize
    if len(codes) < 64 * width:
        return None
    table = codes[: len(codes) // width * width].reshape(-1, width)
    some = table[:: len(table) // SOME_ROWS]
    if (some.min(axis=1) >= limits.high).mean() >= CALM:
        busy = table.min(axis=1) < limits.high
    elif (some.max(axis=1) <= limits.low).mean() >= CALM:
        busy = table.max(axis=1) > limits.low
    else:
        return None
    busy[1:] |= busy[:-1].copy()
    return np.flatnonzero(busy)
