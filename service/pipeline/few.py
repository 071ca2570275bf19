"""What a small number of cases proves: intervals for rates, shares and medians that hold for any count.

Exact intervals (95 % unless asked otherwise): the parameter at which the count that was seen would be as rare
as alpha / 2. For rates that is the chi-square formula of the NIST/SEMATECH e-Handbook of Statistical Methods,
8.4.5.1: chi2(alpha/2; 2 n) / 2 T to chi2(1 - alpha/2; 2 n + 2) / 2 T. A chi-square variable with an even
number 2 m of degrees of freedom exceeds 2 x just as often as a Poisson variable of mean x stays below m, so a
sum of m terms does and no table is needed. For shares the same with binomial sums (Clopper and Pearson,
Biometrika 26, 1934, p. 404, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

LEVEL = 0.95
STEPS = 64
"""Halvings of a solution: beyond the last digit of a float."""


@dataclass(frozen=True)
class Interval:
    """A value with the ends of its interval, all in one unit; `high` None: it has no upper end."""

    value: float
    low: float
    high: float | None


def rate_interval(count: int, exposure: float, level: float = LEVEL) -> Interval | None:
    """Cases in one unit of exposure, e.g. per hour; None without exposure.

    Raises:
        ValueError: a negative count or exposure.
    """
    if count < 0 or exposure < 0:
        raise ValueError(f"a count and its exposure are not negative, were {count} and {exposure:g}")
    if exposure == 0:
        return None
    alpha = (1 - level) / 2
    far = count + 40 + 12 * math.sqrt(count + 1)
    low = _where(lambda mean: 1 - _poisson_below(count, mean), alpha, far) if count else 0.0
    high = _where(lambda mean: 1 - _poisson_below(count + 1, mean), 1 - alpha, far)
    return Interval(count / exposure, low / exposure, high / exposure)


def share_interval(part: int, whole: int, level: float = LEVEL) -> Interval | None:
    """`part` of `whole`, between 0 and 1; None of nothing.

    Raises:
        ValueError: the part is negative or more than the whole.
    """
    if not 0 <= part <= whole:
        raise ValueError(f"{part} is no part of {whole}")
    if whole == 0:
        return None
    alpha = (1 - level) / 2
    low = _where(lambda p: 1 - _binomial_below(part, whole, p), alpha, 1.0) if part else 0.0
    high = _where(lambda p: 1 - _binomial_below(part + 1, whole, p), 1 - alpha, 1.0) if part < whole else 1.0
    return Interval(part / whole, low, high)


def median_interval(values: Sequence[float], level: float = LEVEL) -> Interval | None:
    """The median between two of the values, whatever their distribution; None when they are too few (under
    six at 95 %). Order statistics: Hahn and Meeker, Statistical Intervals, 1991, 5.2, from memory."""
    ordered, count = sorted(values), len(values)
    alpha = (1 - level) / 2
    inside = 0
    while inside < count // 2 and _binomial_below(inside + 1, count, 0.5) <= alpha:
        inside += 1
    if inside == 0:
        return None
    return Interval(quantile(ordered, 0.5), ordered[inside - 1], ordered[count - inside])


def quantile(values: Sequence[float], share: float) -> float:
    """Between the two nearest values where it falls between them. ValueError for none."""
    if not values:
        raise ValueError("of no values there is no quantile")
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def _where(rising: Callable[[float], float], wanted: float, far: float) -> float:
    """Where a function that rises from 0 to `far` comes to a value."""
    low, high = 0.0, far
    for _ in range(STEPS):
        middle = (low + high) / 2
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _poisson_below(count: int, mean: float) -> float:
    """P(N < count)."""
    if mean == 0:
        return 1.0 if count else 0.0
    log_mean = math.log(mean)
    return _sum_of_logs(n * log_mean - mean - math.lgamma(n + 1) for n in range(count))


def _binomial_below(count: int, whole: int, p: float) -> float:
    """P(N < count) of `whole` tries."""
    if p <= 0 or p >= 1:
        return 1.0 if (count > 0 and p <= 0) or count > whole else 0.0
    yes, no, tries = math.log(p), math.log1p(-p), math.lgamma(whole + 1)
    return _sum_of_logs(
        tries - math.lgamma(n + 1) - math.lgamma(whole - n + 1) + n * yes + (whole - n) * no
        for n in range(min(count, whole + 1))
    )


def _sum_of_logs(terms: Iterable[float]) -> float:
    return min(math.fsum(math.exp(term) for term in terms), 1.0)
