"""What no method can beat: Cramer-Rao for the bit time, integrate-and-dump for the error rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import FrameFormat
from tests.reference import Shape, elements


def edge_sigma(shape: Shape, swing_v: float, noise_v: float, interval_s: float) -> float:
    """Cramer-Rao bound of one edge time, seconds: noise / sqrt(sum v'^2), averaged over where the samples
    fall.
    """
    variances = []
    step = interval_s * 1e-3
    for phase in np.arange(0, 1, 1 / 32):
        times: NDArray[np.float64] = (np.arange(-80, 81) - phase) * interval_s
        slope = (shape(times + step) - shape(times - step)) / (2 * step) * swing_v
        variances.append(1 / float(np.sum(slope**2)))
    return noise_v * math.sqrt(float(np.mean(variances)))


def bit_time_bound(sigma_s: float, values: Sequence[int], frame: FrameFormat) -> float:
    """Cramer-Rao bound of the bit time of these characters, each with a start of its own, seconds."""
    total = 0.0
    for value in values:
        levels = [1, *elements(value, frame), 1]
        places = np.array([n for n, (a, b) in enumerate(pairwise(levels)) if a != b], float)
        total += float(np.sum((places - places.mean()) ** 2))
    return sigma_s / math.sqrt(total)


def tail(x: float) -> float:
    """Q(x): share of a bell curve beyond x standard deviations."""
    return 0.5 * math.erfc(x / math.sqrt(2))


def character_error_bound(samples: float, ratio: float) -> float:
    """Error rate of 8-bit characters when all samples of each bit are summed and everything else is known."""
    return 1 - (1 - tail(math.sqrt(samples) * ratio)) ** 8


def bound_db(samples: float, error_rate: float = 1e-3) -> float:
    """Half swing over noise, dB, at which that bound reaches an error rate."""
    low, high = 0.0, 20.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if character_error_bound(samples, middle) > error_rate:
            low = middle
        else:
            high = middle
    return 20 * math.log10(high)
