"""Numbers as people read them: SI prefixes, and values rounded to fit their uncertainty.

An uncertainty is given with two significant digits and the value is rounded to the same place (JCGM 100:2008,
7.2.6). One prefix serves both, chosen by the larger of the two.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

NOT_MEASURED = "not measured"


def with_uncertainty(value: float | None, u: float | None, unit: str, *, exponent: int | None = None) -> str:
    """`4.34005 ± 0.00014 µs`; without a usable `u` four significant digits; None gives "not measured".

    `exponent` (a multiple of three, e.g. 0 for plain volts) fixes the prefix so that a column reads alike.
    """
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    if u is None or not math.isfinite(u) or u <= 0:
        return quantity(value, unit, digits=4, exponent=exponent)
    power = _power(max(abs(value), u), unit) if exponent is None else exponent
    place = _place_of_second_digit(u) - power
    shown_value = _rounded(value, power, place)
    shown_u = _rounded(u, power, place)
    return f"{shown_value} ± {shown_u}{_unit(power, unit)}"


def quantity(
    value: float | None, unit: str, *, digits: int = 6, exponent: int | None = None, fixed: bool = False
) -> str:
    """A number alone, e.g. `2 ms`, `230400 Bd`; `fixed` keeps trailing zeros so that columns line up."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    power = _power(abs(value), unit) if exponent is None else exponent
    if value == 0:
        return "0" + _unit(power, unit)
    place = _leading_place(value) - digits + 1
    text = _rounded(value, power, place - power)
    if not fixed and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text + _unit(power, unit)


def si_power(magnitude: float) -> int:
    """The power of ten of the SI prefix under which the number reads as 1 to 999; 0 for zero."""
    if magnitude == 0 or not math.isfinite(magnitude):
        return 0
    power = 3 * math.floor(math.log10(magnitude) / 3 + 1e-12)
    return min(max(power, min(PREFIXES)), max(PREFIXES))


def prefixed(unit: str, power: int) -> str:
    """`prefixed("s", -6)` is `µs`."""
    return PREFIXES[power] + unit


def _power(magnitude: float, unit: str) -> int:
    return 0 if unit in UNITS_WITHOUT_PREFIX else si_power(magnitude)


def _leading_place(number: float) -> int:
    """Power of ten of the first significant digit."""
    return Decimal(repr(float(number))).adjusted()


def _place_of_second_digit(u: float) -> int:
    """Where the second digit of `u` stands AFTER rounding: 9.96 rounds to 10, not to 10.0."""
    place = _leading_place(u) - 1
    rounded = Decimal(repr(float(u))).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
    return rounded.adjusted() - 1


def _rounded(number: float, power: int, place: int) -> str:
    """`number` / 10^power rounded at 10^place, without an exponent and without a negative zero."""
    scaled = Decimal(repr(float(number))).scaleb(-power)
    whole = scaled.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
    text = f"{whole:f}" if place <= 0 else f"{whole.quantize(Decimal(1)):f}"
    return text.lstrip("-") if whole == 0 else text


def _unit(power: int, unit: str) -> str:
    name = prefixed(unit, power) if unit not in UNITS_WITHOUT_PREFIX else unit
    return f" {name}" if name not in ("", "1") else ""


PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}

UNITS_WITHOUT_PREFIX = frozenset({"", "1", "%", "ppm", "dB", "Bd", "bit", "bits", "samples"})
"""Counts, ratios, and baud, which everybody writes out: 230400 Bd."""
