"""Numbers with uncertainty: two significant digits of u, the value rounded to match, one prefix for both."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.pipeline.numbers import NOT_MEASURED, quantity, si_power, with_uncertainty


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown"),
    [
        (230412.0, 7.4, "Bd", "230412.0 ± 7.4 Bd"),
        (4.34005e-6, 1.4e-10, "s", "4.34005 ± 0.00014 µs"),
        (3.28, 0.01, "V", "3.280 ± 0.010 V"),
        (0.02, 0.01, "V", "20 ± 10 mV"),
        (-0.0004, 0.01, "V", "0 ± 10 mV"),
        (39.0625e-6, 2.0e-9, "s", "39.0625 ± 0.0020 µs"),
        (0.41, 0.0099, "%", "0.4100 ± 0.0099 %"),
        (5.0, 9.96, "V", "5 ± 10 V"),
        (5.0, 0.996, "V", "5.0 ± 1.0 V"),
        (123456.0, 1234.0, "Bd", "123500 ± 1200 Bd"),
        (0.9996e-3, 1e-6, "s", "999.6 ± 1.0 µs"),
        (-12.3456, 0.25, "V", "-12.35 ± 0.25 V"),
        (1e-9, 3e-6, "s", "0.0 ± 3.0 µs"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, u: float, unit: str, shown: str) -> None:
    """Two significant digits of the uncertainty decide where the value ends."""
    assert with_uncertainty(value, u, unit) == shown


def test_the_guide_s_own_example_comes_out_as_printed() -> None:
    """JCGM 100:2008, 7.2.4: m_s = (100.021 47 ± 0.000 79) g, here without its spaces (from memory)."""
    assert with_uncertainty(100.02147, 0.00079, "g") == "100.02147 ± 0.00079 g"


def test_the_guide_s_rounding_examples_hold() -> None:
    """JCGM 100:2008, 7.2.6: y = 10.057 62 ohm with 27 mohm is rounded to 10.058 ohm (from memory)."""
    assert with_uncertainty(10.05762, 0.027, "ohm") == "10.058 ± 0.027 ohm"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_was_not_measured_says_so(value: float | None) -> None:
    """No number is made up for a quantity without one."""
    assert with_uncertainty(value, 1.0, "V") == NOT_MEASURED
    assert quantity(value, "V") == NOT_MEASURED


@pytest.mark.parametrize("u", [None, 0.0, -1.0, math.nan, math.inf])
def test_a_value_without_usable_uncertainty_stands_alone(u: float | None) -> None:
    """No invented plus-minus."""
    assert with_uncertainty(2e-3, u, "s") == "2 ms"


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (2e-3, "s", "2 ms"),
        (230400.0, "Bd", "230400 Bd"),
        (0.0, "V", "0 V"),
        (1.65, "V", "1.65 V"),
        (25.0, "ppm", "25 ppm"),
        (1e-8, "s", "10 ns"),
        (5296.454, "Hz", "5.29645 kHz"),
        (6.0, "", "6"),
    ],
)
def test_numbers_alone_carry_a_sensible_prefix(value: float, unit: str, shown: str) -> None:
    """Engineering prefixes for quantities, none for counts, ratios and baud."""
    assert quantity(value, unit) == shown


def test_a_column_keeps_one_prefix_and_its_zeros() -> None:
    """Levels in one table are all in volts; times in one column all end alike."""
    assert with_uncertainty(0.02, 0.01, "V", exponent=0) == "0.020 ± 0.010 V"
    assert quantity(5e-5, "s", digits=4, fixed=True) == "50.00 µs"


@given(st.floats(1e-14, 1e11))
def test_a_prefix_leaves_one_to_three_digits_before_the_point(magnitude: float) -> None:
    """Between 1 and 1000 after scaling, for everything that the prefixes span."""
    scaled = magnitude / 10.0 ** si_power(magnitude)
    assert 0.999999 <= scaled < 1000.001


@given(st.floats(-1e9, 1e9), st.floats(1e-12, 1e9))
def test_the_shown_value_is_within_half_a_digit_of_the_true_one(value: float, u: float) -> None:
    """Rounding never moves a value by more than half of u's last shown digit (5 % of u)."""
    shown = with_uncertainty(value, u, "1").split(" ± ")
    assert abs(float(shown[0]) - value) <= 0.0501 * u + 1e-9 * abs(value)
    assert abs(float(shown[1]) - u) <= 0.0501 * u
