"""Which thing a deviation follows: the probe, the place where it was, the station, or the day.

Each value was measured with several things (this probe, that place, that day). A thing is to blame when one
shift of all values in which it had part explains what the others do not: the hypothesis with the smallest
sum of squares. It is named only when chance hardly makes as much, and when no other thing explains nearly as
well: a probe that was at one place only cannot be told from that place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.pipeline.trend import two_sided_p

RISK = 0.01
"""Of blaming something although nothing is wrong, over all things that there are."""
AHEAD = 2 * math.log(20)
"""By how much the best account must be better than the next, as twice a logarithm of likelihoods: 20 to 1."""


@dataclass(frozen=True)
class Observation:
    """A value and the things that had part in it, e.g. {"probe": "P-07", "place": "north-1 to_target"}."""

    value: float
    things: Mapping[str, str]


@dataclass(frozen=True)
class Blame:
    """`things` are those that explain the deviation equally well: one when it is decided, none at all."""

    things: tuple[tuple[str, str], ...]
    shift: float
    """By how much values with it lie off the others, in the unit of the values."""
    u: float
    """Expanded (k = 2)."""

    @property
    def decided(self) -> bool:
        return len(self.things) == 1


def blame(observations: Sequence[Observation], spread: float, freedom: int | None = None) -> Blame:
    """Who is to blame; `spread` is the standard deviation of a single value when nothing is wrong;
    `freedom` its degrees of freedom where it was itself estimated from few values.

    ValueError: the spread is not above zero, or there are fewer than four values.
    """
    if len(observations) < 4 or not spread > 0:
        raise ValueError(f"four values and a spread are needed, got {len(observations)} and {spread:g}")
    y = np.array([o.value for o in observations])
    candidates = sorted({thing for o in observations for thing in o.things.items()})
    scored = [(*_shift(y, observations, thing), thing) for thing in candidates]
    scored = [(gain / spread**2, shift, size, thing) for gain, shift, size, thing in scored if size > 0]
    scored.sort(key=lambda row: -row[0])
    if not scored or _p(math.sqrt(scored[0][0]), freedom) * len(scored) > RISK:
        return Blame((), 0.0, 0.0)
    best = scored[0]
    equals = [row for row in scored if best[0] - row[0] < AHEAD]
    return Blame(tuple(row[3] for row in equals), best[1], 2 * spread * math.sqrt(best[2]))


def _p(deviation: float, freedom: int | None) -> float:
    """Chance of as large a deviation, in standard deviations."""
    if freedom is not None:
        return two_sided_p(deviation, freedom)
    return math.erfc(deviation / math.sqrt(2))


def _shift(
    y: np.ndarray[tuple[int], np.dtype[np.float64]],
    observations: Sequence[Observation],
    thing: tuple[str, str],
) -> tuple[float, float, float]:
    """What the hypothesis gains in squares, the shift, and its variance in units of one value's."""
    kind, name = thing
    has = np.array([o.things.get(kind) == name for o in observations])
    n, m = len(y), int(np.sum(has))
    if m in (0, n):
        return 0.0, 0.0, 0.0
    shift = float(np.mean(y[has]) - np.mean(y[~has]))
    return shift**2 * m * (n - m) / n, shift, n / (m * (n - m))
