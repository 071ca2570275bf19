"""The line fit against published certified results."""

from __future__ import annotations

import importlib.resources

import numpy as np
import pytest

from service.pipeline.line_fit import fit_line, fit_shared_slope

# JCGM 100:2008 H.3, thermometer calibration; the data as reproduced in open-source uncertainty packages
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def _norris() -> tuple[list[float], list[float]]:
    text = (
        importlib.resources.files("scipy.stats.tests.data.nist_linregress").joinpath("Norris.dat").read_text()
    )
    rows = [line.split() for line in text.splitlines()[60:96]]
    return [float(row[1]) for row in rows], [float(row[0]) for row in rows]


def test_the_certified_values_of_norris_come_out_to_eleven_digits() -> None:
    """NIST StRD "Norris" (data file shipped by scipy): certified estimates and standard deviations."""
    x, y = _norris()
    assert len(x) == 36
    line = fit_line(np.array(x), np.array(y))
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-11)
    assert line.s_intercept == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.s_slope == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert line.s_residual == pytest.approx(0.884796396144373, rel=1e-11)


def test_the_thermometer_of_the_gum_comes_out_as_printed() -> None:
    """JCGM 100:2008 H.3: intercept, slope, their uncertainties, correlation, and the prediction at 30 C."""
    line = fit_line(np.array(H3_T) - 20.0, np.array(H3_B))
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.s_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.s_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.s_residual == pytest.approx(0.0035, abs=5e-5)
    value, u = line.at(10.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_one_group_with_a_shared_slope_is_the_plain_line() -> None:
    """The fit used for bit times gives the GUM's slope and its standard deviation for a single group."""
    x, y = np.array(H3_T) - 20.0, np.array(H3_B)
    plain, shared = fit_line(x, y), fit_shared_slope(x, y, np.array([0]))
    assert shared.slope == pytest.approx(plain.slope, rel=1e-12)
    s = (np.dot(shared.residuals, shared.residuals) / shared.degrees_of_freedom) ** 0.5
    assert s / shared.sxx**0.5 == pytest.approx(plain.s_slope, rel=1e-12)


def test_offsets_between_groups_do_not_touch_the_shared_slope() -> None:
    """Pauses between frames carry no bit time: groups may lie anywhere."""
    x = np.array([0.0, 1, 3, 0, 2, 9, 0, 5])
    y = 4.34 * x + np.repeat([0.0, 1e3, -7e4], [3, 3, 2])
    shared = fit_shared_slope(x, y, np.array([0, 3, 6]))
    assert shared.slope == pytest.approx(4.34, rel=1e-10)
    assert shared.degrees_of_freedom == 4


def test_points_at_one_place_make_no_line() -> None:
    """A line needs three points and two different x."""
    with pytest.raises(ValueError, match="3 points"):
        fit_line(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="different x"):
        fit_line(np.ones(4), np.arange(4.0))
    assert np.isnan(fit_shared_slope(np.zeros(2), np.zeros(2), np.array([0, 1])).slope)
