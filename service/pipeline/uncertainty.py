"""Combining uncertainties (JCGM 100:2008). All figures are expanded, k = 2."""

from __future__ import annotations

import math
from collections.abc import Sequence

from service.pipeline.readings import Value

K = 2.0
"""Coverage factor of every stated u: about 95 %."""


def combined(*parts: float) -> float:
    """Independent parts in quadrature (JCGM 100 5.1.2, sensitivity coefficients already in)."""
    return math.sqrt(math.fsum(p * p for p in parts))


def effective_freedom(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of the combination of (u, nu) pairs (JCGM 100 G.4.1, Welch-Satterthwaite)."""
    total = combined(*(u for u, _ in parts))
    return total**4 / math.fsum(u**4 / nu for u, nu in parts if u > 0)


def from_tolerance(half_width: float) -> float:
    """Expanded uncertainty of a quantity known to lie within +-half_width (rectangular, JCGM 100 4.3.7)."""
    return K * half_width / math.sqrt(3)


def with_scale(value: float, u_record: float, scale_tolerance: float, unit: str) -> Value:
    """A value whose instrument's scale is true within +-scale_tolerance (a ratio: 25e-6 for 25 ppm)."""
    return Value(value, combined(u_record, from_tolerance(scale_tolerance) * abs(value)), u_record, unit)


def pooled(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Weighted mean of (value, u) pairs and its u; widened where they differ by more than their u explain."""
    if not values:
        raise ValueError("nothing to pool")
    largest = max(u for _, u in values)
    if largest == 0:
        return math.fsum(v for v, _ in values) / len(values), 0.0
    weights = [1 / max(u, 1e-6 * largest) ** 2 for _, u in values]
    mean = math.fsum(w * v for w, (v, _) in zip(weights, values, strict=True)) / math.fsum(weights)
    u = 1 / math.sqrt(math.fsum(weights))
    if len(values) > 1:
        # the Birge ratio: scatter found over scatter expected
        chi2 = math.fsum(w * K**2 * (v - mean) ** 2 for w, (v, _) in zip(weights, values, strict=True))
        u *= max(1.0, math.sqrt(chi2 / (len(values) - 1)))
    return mean, u
