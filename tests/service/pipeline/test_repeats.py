"""The scatter of repeats, within a connection and between connections."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from service.pipeline.repeats import scatter_of


def test_the_parts_of_the_variance_are_those_of_an_independent_library() -> None:
    """scipy.stats.f_oneway gives F = MS between / MS within; with n repeats each, F = 1 + n b^2 / w^2."""
    rng = np.random.default_rng(1)
    groups = [rng.normal(rng.normal(scale=3.0), 1.0, size=5) for _ in range(6)]
    scatter = scatter_of(groups)
    f = scipy.stats.f_oneway(*groups).statistic
    assert 1 + 5 * scatter.between**2 / scatter.within**2 == pytest.approx(f)
    pooled = np.mean([np.var(g, ddof=1) for g in groups])
    assert scatter.within**2 == pytest.approx(pooled)
    assert scatter.centre == pytest.approx(np.mean(groups))
    assert scatter.together == pytest.approx(np.hypot(scatter.within, scatter.between))


def test_a_worked_example() -> None:
    """By hand: {1, 3} and {5, 7}: within^2 = 2, MS between = 16, so between^2 = (16 - 2) / 2 = 7."""
    scatter = scatter_of([np.array([1.0, 3.0]), np.array([5.0, 7.0])])
    assert (scatter.centre, scatter.within**2, scatter.between**2) == pytest.approx((4, 2, 7))
    assert (scatter.count, scatter.connections) == (4, 2)


def test_true_values_come_back_from_many_connections() -> None:
    """Simulated with 2.0 within and 1.0 between, groups of unequal size."""
    rng = np.random.default_rng(2)
    groups = [rng.normal(rng.normal(scale=1.0), 2.0, size=n) for n in rng.integers(2, 9, size=800)]
    scatter = scatter_of(groups)
    assert (scatter.within, scatter.between) == pytest.approx((2.0, 1.0), rel=0.1)


def test_one_connection_says_nothing_of_another() -> None:
    """And single values say nothing of repeats."""
    assert scatter_of([np.array([1.0, 2.0, 3.0]), np.array([])]).between == 0.0
    with pytest.raises(ValueError, match="repeats"):
        scatter_of([np.array([1.0]), np.array([2.0])])
