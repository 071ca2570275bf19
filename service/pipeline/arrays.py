"""Small steps on short arrays, at a fraction of what numpy's general ones cost for them: a line holds tens of
edges, and hundreds of such steps are what reading it takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray


def lengths(firsts: NDArray[np.int64], end: int) -> NDArray[np.int64]:
    """Length of each stretch that begins at `firsts`, the last one ending before `end`; shape (firsts,)."""
    found = np.empty_like(firsts)
    if len(firsts):
        np.subtract(firsts[1:], firsts[:-1], out=found[:-1])
        found[-1] = end - firsts[-1]
    return found


def median(values: NDArray[Any] | Sequence[float]) -> float:
    """The median of at least one number, none of them NaN."""
    count = len(values)
    if not count:
        raise ValueError("no values have no median")
    half = count // 2
    if count % 2:
        return float(np.partition(values, half)[half])
    middle = np.partition(values, (half - 1, half))
    return 0.5 * (float(middle[half - 1]) + float(middle[half]))


def distinct(values: NDArray[Any]) -> NDArray[Any]:
    """The values without repeats, ascending (`np.unique` would import numpy's masked arrays for it)."""
    ordered = np.sort(values, axis=None)
    fresh = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=fresh[1:])
    return ordered[fresh]
