"""Integrate and dump: characters from the sum of all samples of each element, for lines deep in noise.

Theory of operation
With white noise the best decision on an element is the sign of the sum of its samples about the middle of the
two levels; with n samples the error rate is Q(sqrt(n) a/sigma). No single edge can be trusted, so frames are
found as a whole: the most likely record is the one that explains the most. Counted against "idle all the
time", a frame at s gains
    -2 S_start + sum over data elements of 2 max(-S, 0),
S being the sums of its elements, mark positive. The best chain of frames that do not overlap follows from one
pass (dynamic programming) over a grid of GRID places a bit; then each start is moved to where
    sum before - S_start + sum |S| + S_stop
is greatest (joint frame timing: every edge of the frame helps to place it).

All sums are differences of cumulative sums. These are made anew for each stretch that is looked at: one of
the whole record would take eight bytes a sample.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.sampling import windows_of

GRID = 8
"""Places for a start edge in one bit time."""
SLACK = 2
"""Places by which a stop element may be short: a sender a little faster than the bit time that is tried must
not lose a character each time the difference has grown to a place."""
AT_ONCE = 1 << 16
"""Samples summed at a time: half a megabyte of sums, which stays in the cache."""
PLACES_AT_ONCE = 1 << 14
"""Places of the grid done at a time: as numbers of Python they take eight times the memory."""
FRAMES_AT_ONCE = 64
FINE = 12
"""Steps to each side in which a start is refined, over one place of the grid and a half."""


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums of a line's samples about its middle, mark positive; what lies outside the record counts nothing.

    Places are counted in samples from the first one.
    """

    codes: NDArray[np.generic]
    """Contiguous."""
    middle: float
    idle_high: bool

    def __len__(self) -> int:
        return len(self.codes)

    def total(self) -> float:
        """Of the whole record."""
        count = len(self.codes)
        return sum(
            float(self.running(np.array([start]), min(AT_ONCE, count - start))[0, -1])
            for start in range(0, count, AT_ONCE)
        )

    def running(self, firsts: NDArray[np.int64], width: int) -> NDArray[np.float64]:
        """Shape (firsts, width + 1): entry i of a row is the sum of the i samples from its first one on."""
        count = len(self.codes)
        outside = None
        if width <= count and firsts.min() >= 0 and firsts.max() <= count - width:
            samples = windows_of(self.codes, width)[firsts]
        else:
            places = firsts[:, None] + np.arange(width)
            outside = (places < 0) | (places >= count)
            samples = self.codes[np.minimum(np.maximum(places, 0), count - 1)]
        sums = np.zeros((len(firsts), width + 1))
        inner = sums[:, 1:]
        np.subtract(samples, self.middle, out=inner)
        if not self.idle_high:
            np.negative(inner, out=inner)
        if outside is not None:
            inner[outside] = 0.0
        np.cumsum(inner, axis=1, out=inner)
        return sums

    def stretches(
        self, earliest: NDArray[np.float64], latest: NDArray[np.float64]
    ) -> Iterator[tuple[slice, Stretches]]:
        """Sums over the stretches between those places, both of shape (stretches,), some at a time."""
        firsts = np.floor(earliest).astype(np.int64)
        width = int((latest - firsts).max(initial=0)) + 2
        piece = min(max(AT_ONCE // width, 1), FRAMES_AT_ONCE)
        for start in range(0, len(firsts), piece):
            some = slice(start, start + piece)
            yield some, Stretches(firsts[some], self.running(firsts[some], width))

    def elements(self, starts: NDArray[np.float64], bit: float, count: int) -> NDArray[np.float64]:
        """Sums of the first `count` elements of the frames at `starts`; shape (frames, count)."""
        found = np.empty((len(starts), count))
        for some, stretches in self.stretches(starts, starts + bit * count):
            borders = stretches.upto(starts[some, None] + bit * np.arange(count + 1))
            found[some] = borders[:, 1:] - borders[:, :-1]
        return found

    def centres(self, starts: NDArray[np.float64], bit: float, count: int) -> NDArray[np.float64]:
        """Means of the middle half of each of those elements; shape (frames, count)."""
        found = np.empty((len(starts), count))
        for some, stretches in self.stretches(starts, starts + bit * count):
            first = starts[some, None] + bit * (np.arange(count) + 0.25)
            found[some] = (stretches.upto(first + 0.5 * bit) - stretches.upto(first)) / (0.5 * bit)
        return found


@dataclass(frozen=True, eq=False)
class Stretches:
    """Cumulative sums over some stretches of a record, each from its own first sample on."""

    firsts: NDArray[np.int64]
    sums: NDArray[np.float64]
    """Shape (stretches, samples + 1)."""

    def upto(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """The sum from the start of each stretch to each of its places, places between samples included.

        `places` has the shape (stretches, ...), all of them within their stretch.
        """
        shape = (len(places),) + (1,) * (places.ndim - 1)
        inside = places - self.firsts.reshape(shape)
        whole = inside.astype(np.int64)
        inside -= whole
        whole += (np.arange(len(places)) * self.sums.shape[1]).reshape(shape)
        flat = self.sums.ravel()
        first = flat[whole]
        whole += 1
        inside *= flat[whole] - first
        inside += first
        return inside


def frame_starts(sums: Sums, bit: float, stop: int) -> tuple[NDArray[np.float64], float]:
    """Starts, in samples, of the most likely chain of frames, and what it gains over an idle line.

    `stop` is the number of elements before the stop element.
    """
    chain, best = _best_chain(_gains(sums, bit, stop), GRID * (stop + 1) - SLACK)
    return np.array(chain, np.float64) * bit / GRID, best


def _gains(sums: Sums, bit: float, stop: int) -> Iterator[NDArray[np.float64]]:
    """What a frame at each place of the grid gains, some places at a time; none where no frame has room."""
    ahead = GRID * (stop + 1)
    places = int(len(sums) * GRID / bit) + 1 - ahead
    piece = min(max(int(AT_ONCE * GRID / bit), ahead), PLACES_AT_ONCE)
    for start in range(0, places, piece):
        count = min(piece, places - start)
        points = np.arange(start, start + count + ahead) * bit / GRID
        for _, stretch in sums.stretches(points[:1], points[-1:]):
            grid = stretch.upto(points[None])[0]
        parts = grid[GRID:] - grid[:-GRID]
        gain = -2 * parts[:count]
        for element in range(1, stop):
            gain -= 2 * np.minimum(parts[element * GRID : element * GRID + count], 0)
        yield gain


def _best_chain(gains: Iterable[NDArray[np.float64]], length: int) -> tuple[list[int], float]:
    """Places of the chain of greatest gain in which two places are at least `length` apart.

    Only which places end a frame is kept for all of them, a byte each; of the sums the last `length`.
    """
    taken = bytearray(length)
    before = [0.0] * length
    for gain in gains:
        best = before
        for place, more in enumerate(gain.tolist()):
            idle, frame = best[-1], best[place] + more
            if frame > idle:
                best.append(frame)
                taken.append(1)
            else:
                best.append(idle)
                taken.append(0)
        before = best[-length:]
    chain, end = [], len(taken) - 1
    while end >= length:
        if taken[end]:
            end -= length
            chain.append(end)
        else:
            end -= 1
    return chain[::-1], before[-1]


def timed_starts(
    sums: Sums, starts: NDArray[np.float64], bit: float, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Starts moved to their best place, and the score of each frame there."""
    places, scores = np.empty(len(starts)), np.empty(len(starts))
    for some, stretches in _around(sums, starts, bit, stop):
        places[some], scores[some] = _timed(stretches, starts[some], bit, stop)
    return places, scores


def scores_of(
    sums: Sums, starts: NDArray[np.float64], bits: NDArray[np.float64], stop: int
) -> NDArray[np.float64]:
    """For each bit time what the frames score, all together, at their best places; shape (bits,)."""
    scores = np.zeros(len(bits))
    for some, stretches in _around(sums, starts, float(bits.max()), stop):
        scores += [_timed(stretches, starts[some], bit, stop)[1].sum() for bit in bits.tolist()]
    return scores


def _around(
    sums: Sums, starts: NDArray[np.float64], bit: float, stop: int
) -> Iterator[tuple[slice, Stretches]]:
    """The stretches that frames timed with a bit time up to this one are looked at in."""
    return sums.stretches(starts - (1 + 1.5 / GRID) * bit, starts + (stop + 1 + 1.5 / GRID) * bit)


def _timed(
    stretches: Stretches, starts: NDArray[np.float64], bit: float, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    offsets = np.arange(-FINE, FINE + 1) * (1.5 * bit / GRID / FINE)
    tried = starts[:, None] + offsets
    borders = stretches.upto((tried - bit)[..., None] + bit * np.arange(stop + 3))
    parts = borders[..., 1:] - borders[..., :-1]
    score = parts[..., 0] - parts[..., 1] + np.abs(parts[..., 2:-1]).sum(axis=-1) + parts[..., -1]
    best = score.argmax(axis=1)
    rows = np.arange(len(best))
    return tried[rows, best], score[rows, best]
