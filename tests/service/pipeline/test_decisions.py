"""Guard bands, risks, combination of uncertainties: against JCGM 106, JCGM 100 and the GUM's own examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from service.pipeline.decisions import (
    FAIL,
    INCONCLUSIVE,
    PASS,
    at_least,
    at_most,
    over,
    within,
    worst,
    wrong_fail_risk,
)
from service.pipeline.uncertainty import combined, effective_freedom, from_tolerance, pooled, with_scale


@pytest.mark.parametrize(
    ("value", "u", "verdict"),
    [
        (1.9, 0.05, PASS),
        (1.95, 0.05, PASS),
        (1.96, 0.05, INCONCLUSIVE),
        (2.0, 0.05, INCONCLUSIVE),
        (2.05, 0.05, INCONCLUSIVE),
        (2.06, 0.05, FAIL),
        (2.0, 0.0, PASS),
        (2.0001, 0.0, FAIL),
    ],
)
def test_a_value_nearer_to_its_limit_than_its_uncertainty_is_not_decided(
    value: float, u: float, verdict: str
) -> None:
    """JCGM 106:2012 clause 8: guard band w = U on both sides of the limit."""
    assert at_most(value, u, 2.0) == verdict
    assert at_least(-value, u, -2.0) == verdict
    assert over(value, u, 2.0) == (verdict == FAIL)


def test_limits_on_both_sides_and_no_limit_at_all() -> None:
    """The worse of the two sides decides; a limit that does not exist decides nothing."""
    assert within(0.0, 0.1, -1.0, 1.0) == PASS
    assert within(-1.05, 0.1, -1.0, 1.0) == INCONCLUSIVE
    assert within(-1.5, 0.1, -1.0, None) == FAIL
    assert within(99.0, 0.1, None, None) == PASS
    assert worst(PASS, INCONCLUSIVE, FAIL) == FAIL


@pytest.mark.parametrize(("band_in_u", "risk"), [(0.0, 0.50), (0.5, 0.16), (1.645 / 2, 0.05), (1.0, 0.023)])
def test_the_guard_band_bounds_the_risk_of_a_wrong_fail(band_in_u: float, risk: float) -> None:
    """No band 50 %, 1 standard u 16 %, 1.645 u 5 %, 2 u 2.3 % (JCGM 106 7, needs section 10)."""
    expanded = 0.02
    assert wrong_fail_risk(band_in_u * expanded, expanded) == pytest.approx(risk, abs=0.005)


def test_a_true_value_at_the_limit_is_rarely_failed() -> None:
    """Measured 20,000 times with its stated uncertainty: at most 2.3 % fail, as many pass, the rest stay
    open.
    """
    rng = np.random.default_rng(17)
    u = 0.01
    values = 2.0 + rng.normal(0, u / 2, 20_000)
    verdicts = [at_most(float(v), u, 2.0) for v in values]
    assert verdicts.count(FAIL) / len(verdicts) == pytest.approx(stats.norm.sf(2), abs=0.004)
    assert verdicts.count(PASS) / len(verdicts) == pytest.approx(stats.norm.sf(2), abs=0.004)


def test_the_end_gauge_of_the_guide_combines_as_printed() -> None:
    """JCGM 100:2008 H.1: 25, 9.7, 2.9 and 16.6 nm make 32 nm (31.71 before rounding); 5.8, 3.9, 6.7 make 9.7
    nm.
    """
    assert combined(25, 9.7, 2.9, 16.6) == pytest.approx(31.71, abs=0.05)
    assert round(combined(25, 9.7, 2.9, 16.6)) == 32
    assert combined(5.8, 3.9, 6.7) == pytest.approx(9.68, abs=0.01)


def test_the_effective_degrees_of_freedom_follow_welch_and_satterthwaite() -> None:
    """H.1: components 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) have 16 effective degrees of
    freedom.
    """
    parts = [(25, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)]
    assert math.floor(effective_freedom(parts)) == 16


def test_a_tolerance_becomes_a_rectangular_uncertainty() -> None:
    """JCGM 100 4.3.7: standard a/sqrt(3), expanded with k = 2; 25 ppm of a data sheet are 28.9 ppm of U."""
    assert from_tolerance(25e-6) == pytest.approx(28.87e-6, rel=1e-3)


def test_the_instruments_scale_is_combined_in_and_shown_apart() -> None:
    """The contract's example: 13.4 ppm of the record and 25 ppm of time base make 32 ppm."""
    value = with_scale(4.34005e-6, 5.8e-11, 25e-6, "s")
    assert value.u_record == 5.8e-11
    assert value.u == pytest.approx(1.4e-10, rel=0.02)


def test_pooling_equal_values_divides_by_the_root_of_their_number() -> None:
    """Four shots that agree halve the uncertainty."""
    assert pooled([(5.0, 0.2)] * 4) == pytest.approx((5.0, 0.1))


def test_pooling_weighs_by_uncertainty() -> None:
    """A shot ten times as well known counts a hundred times as much."""
    mean, u = pooled([(1.0, 0.1), (1.01, 0.01)])
    assert mean == pytest.approx(1.0099, abs=1e-4)
    assert u < 0.01


def test_shots_that_disagree_widen_the_uncertainty() -> None:
    """A clock that drifts between shots is not known better than it drifts (Birge ratio)."""
    mean, u = pooled([(1.0, 0.001), (1.1, 0.001)])
    assert mean == pytest.approx(1.05)
    assert u > 0.05


def test_exact_values_pool_without_dividing_by_zero() -> None:
    """An uncertainty of zero is no reason to fail."""
    assert pooled([(2.0, 0.0), (2.0, 0.0)])[0] == 2.0
    with pytest.raises(ValueError, match="nothing to pool"):
        pooled([])
