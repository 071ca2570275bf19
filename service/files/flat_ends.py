"""Which ends of a row of volts look like a converter's: a text file does not say where the converter ended.

A state that is cut off shows one value only, the outermost of the record, while the noise that goes over the
other state lets it flicker between three values and more. Noise so small that one state could show a single
value by chance lets the other one show two at most (a normal distribution over steps of one width).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MOST_LOOKED_AT = 40_000
NEAR = 0.1
"""Part of the whole span that counts as near an end."""
FLAT = 0.98
"""Share of the samples near an end that have its very value ..."""
FLICKER = 0.05
"""... while near the other end at least three values have this share each."""
FEWEST = 100
"""Samples near an end that are needed to say anything."""


def flat_ends(volts: NDArray[np.float64]) -> tuple[float | None, float | None]:
    """(lowest, highest value) where the record was cut off there, each None where it does not look so."""
    some = volts[:: max(len(volts) // MOST_LOOKED_AT, 1)]
    low, high = float(volts.min()), float(volts.max())
    reach = NEAR * (high - low)
    below, above = some[some < low + reach], some[some > high - reach]
    if min(len(below), len(above)) < FEWEST or not reach > 0:
        return None, None
    return (
        low if _flat(below, low) and _flickers(above) else None,
        high if _flat(above, high) and _flickers(below) else None,
    )


def _flat(samples: NDArray[np.float64], value: float) -> bool:
    return bool(np.mean(samples == value) >= FLAT)


def _flickers(samples: NDArray[np.float64]) -> bool:
    """Three values at least that are there often, or so many that none is: numbers of a finer grid."""
    ordered = np.sort(samples)
    starts = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    shares = np.diff(starts, append=len(ordered)) / len(ordered)
    return bool((shares >= FLICKER).sum() >= 3 or shares.max() < FLICKER)
