"""Least-squares straight lines, plain and in groups that share one slope (JCGM 100:2008 H.3; NIST StRD
linear).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import lengths


def inner(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Sum of products, in one thread: the matrix library behind `dot` would wake others for it."""
    return float(np.einsum("i,i->", a, b))


@dataclass(frozen=True)
class Line:
    """y = intercept + slope * x, with the standard deviations of both and of the residuals."""

    intercept: float
    slope: float
    s_intercept: float
    s_slope: float
    correlation: float
    """Between intercept and slope."""
    s_residual: float
    degrees_of_freedom: int

    def at(self, x: float) -> tuple[float, float]:
        """Value on the line and its standard uncertainty."""
        covariance = self.correlation * self.s_intercept * self.s_slope
        variance = self.s_intercept**2 + (x * self.s_slope) ** 2 + 2 * x * covariance
        return self.intercept + self.slope * x, float(variance) ** 0.5


def fit_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Line:
    """Straight line through points of shape (points,), at least three with two different x.

    Two passes about the means: no digits are lost where x lies far from zero. ValueError when x does not
    vary.
    """
    if len(x) < 3 or np.ptp(x) == 0:
        raise ValueError(f"a line with its uncertainty needs 3 points at different x, got {len(x)}")
    mean_x, mean_y = float(np.mean(x)), float(np.mean(y))
    dx, dy = x - mean_x, y - mean_y
    sxx = inner(dx, dx)
    slope = inner(dx, dy) / sxx
    residuals = dy - slope * dx
    freedom = len(x) - 2
    s = (inner(residuals, residuals) / freedom) ** 0.5
    s_slope = s / sxx**0.5
    s_intercept = s * (1 / len(x) + mean_x**2 / sxx) ** 0.5
    correlation = -mean_x * s_slope / s_intercept if s > 0 else 0.0
    return Line(mean_y - slope * mean_x, slope, s_intercept, s_slope, correlation, s, freedom)


@dataclass(frozen=True, eq=False)
class SharedSlope:
    """Result of a fit of groups of points that share a slope but not an intercept."""

    slope: float
    sxx: float
    """Sum over the groups of squared distances of x from the group's mean: variance of slope = s^2 / sxx."""
    dx: NDArray[np.float64]
    """Shape (points,), in the order of the points: distance of x from its group's mean."""
    residuals: NDArray[np.float64]
    """The same of y, less the slope."""
    firsts: NDArray[np.int64]
    """Shape (groups,): first point of each group."""
    degrees_of_freedom: int


def fit_shared_slope(
    x: NDArray[np.float64], y: NDArray[np.float64], firsts: NDArray[np.int64]
) -> SharedSlope:
    """One slope through groups of points; group g is the points firsts[g] .. firsts[g+1]-1.

    y should be small in each group (counted from the group's first point), so that nothing is lost in sums.
    A slope of NaN means that no group has two different x.
    """
    counts = lengths(firsts, len(x))
    dx = x - (np.add.reduceat(x, firsts) / counts).repeat(counts)
    dy = y - (np.add.reduceat(y, firsts) / counts).repeat(counts)
    sxx = inner(dx, dx)
    slope = inner(dx, dy) / sxx if sxx > 0 else float("nan")
    dy -= slope * dx
    return SharedSlope(slope, sxx, dx, dy, firsts, len(x) - len(firsts) - 1)
