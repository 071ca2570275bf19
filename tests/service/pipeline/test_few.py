"""Intervals of small counts, against a handbook's formula, published figures and a reference library."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from service.pipeline.few import median_interval, quantile, rate_interval, share_interval


@pytest.mark.parametrize("count", [1, 2, 5, 23, 300])
@pytest.mark.parametrize("level", [0.6, 0.9, 0.95])
def test_a_rate_has_the_ends_of_the_chi_square_formula(count: int, level: float) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1, turned over from hours between failures to failures an hour; the
    values of chi-square from scipy."""
    found = rate_interval(count, 800.0, level)
    assert found is not None
    assert found.low == pytest.approx(stats.chi2.ppf((1 - level) / 2, 2 * count) / 1600, rel=1e-9)
    assert found.high == pytest.approx(stats.chi2.ppf((1 + level) / 2, 2 * count + 2) / 1600, rel=1e-9)


def test_two_failures_in_800_hours_by_hand() -> None:
    """90 %: chi-square tables (NIST/SEMATECH e-Handbook 1.3.6.7.4) have 0.711 for the lower 0.05 with 4
    degrees of freedom and 12.592 for the upper 0.05 with 6, so 0.711/1600 = 0.000444 and 12.592/1600 =
    0.00787 an hour."""
    found = rate_interval(2, 800.0, 0.90)
    assert found is not None
    assert found.value == 2 / 800
    assert found.low == pytest.approx(0.711 / 1600, rel=1e-3)
    assert found.high == pytest.approx(12.592 / 1600, rel=1e-4)


def test_23_events_in_a_time_of_5_25() -> None:
    """Exact 95 % interval as published with the function ci.poisson of the R package statpsych (which follows
    Hahn and Meeker): 2.777148 to 6.57358."""
    found = rate_interval(23, 5.25)
    assert found is not None
    assert found.low == pytest.approx(2.777148, abs=1e-6)
    assert found.high == pytest.approx(6.57358, abs=1e-5)


def test_no_failure_is_no_proof_of_none() -> None:
    """The upper end of nothing seen is -ln(0.025) = 3.689 over the exposure; without exposure nothing is
    known."""
    found = rate_interval(0, 512.0)
    assert found is not None
    assert (found.value, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(-math.log(0.025) / 512)
    assert rate_interval(0, 0.0) is None
    assert rate_interval(3, 0.0) is None


@pytest.mark.parametrize(("part", "whole"), [(0, 300), (1, 7), (7, 7), (16, 222), (222, 15000)])
def test_a_share_has_the_ends_of_the_reference_library(part: int, whole: int) -> None:
    """scipy's exact interval; for none of n by hand: 1 - 0.025^(1/n)."""
    found = share_interval(part, whole)
    reference = stats.binomtest(part, whole).proportion_ci(0.95, method="exact")
    assert found is not None
    assert found.low == pytest.approx(reference.low, rel=1e-7, abs=1e-12)
    assert found.high == pytest.approx(reference.high, rel=1e-7)
    if part == 0:
        assert found.high == pytest.approx(1 - 0.025 ** (1 / whole))
    assert share_interval(0, 0) is None


def test_a_median_of_ten_lies_between_the_second_and_the_ninth() -> None:
    """P(fewer than 2 of 10 below) = 11/1024 = 1.07 %, fewer than 3: 5.5 %; of five values nothing is sure, as
    1/32 = 3.1 % is more than 2.5 %."""
    found = median_interval([float(n) for n in (9, 1, 4, 3, 2, 8, 7, 10, 5, 6)])
    assert found is not None
    assert (found.value, found.low, found.high) == (5.5, 2.0, 9.0)
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0]) is None
    six = median_interval([3.0, 1.0, 2.0, 6.0, 5.0, 4.0])
    assert six is not None
    assert (six.low, six.high) == (1.0, 6.0)


@pytest.mark.parametrize("count", [6, 11, 40, 177])
def test_a_median_has_the_ranks_of_the_binomial_quantile(count: int) -> None:
    """The largest rank k with P(B < k) <= 2.5 % (scipy)."""
    found = median_interval([float(n) for n in range(1, count + 1)])
    ranks = [k for k in range(1, count) if stats.binom.cdf(k - 1, count, 0.5) <= 0.025]
    assert found is not None
    assert (found.low, found.high) == (max(ranks), count + 1 - max(ranks))


def test_a_quantile_lies_between_its_neighbours() -> None:
    """As numpy's default has it."""
    assert quantile([4.0, 1.0, 3.0, 2.0], 0.5) == 2.5
    assert quantile([7.0], 0.9) == 7.0
    assert quantile([0.0, 10.0], 0.9) == 9.0


def test_what_cannot_be_counted_is_refused() -> None:
    """Negative numbers, parts above the whole, quantiles of nothing."""
    with pytest.raises(ValueError, match="not negative"):
        rate_interval(-1, 5.0)
    with pytest.raises(ValueError, match="not negative"):
        rate_interval(1, -5.0)
    with pytest.raises(ValueError, match="no part"):
        share_interval(3, 2)
    with pytest.raises(ValueError, match="no values"):
        quantile([], 0.5)
