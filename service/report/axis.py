"""A time axis with round steps and one unit for all its labels."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.pipeline.numbers import prefixed, si_power


@dataclass(frozen=True)
class Axis:
    """Positions in seconds with their labels; `unit` serves all of them."""

    ticks: tuple[tuple[float, str], ...]
    unit: str


def time_axis(from_s: float, to_s: float, wanted: int = 8) -> Axis:
    """About `wanted` ticks at multiples of 1, 2 or 5; the unit suits the larger end."""
    step = _round_step((to_s - from_s) / wanted)
    power = min(si_power(max(abs(from_s), abs(to_s), step)), 0)
    first, last = math.ceil(from_s / step - 1e-9), math.floor(to_s / step + 1e-9)
    decimals = max(0, power - math.floor(math.log10(step) + 1e-9))
    ticks = tuple((k * step, _label(k * step, power, decimals)) for k in range(first, last + 1))
    return Axis(ticks, prefixed("s", power))


def _round_step(rough: float) -> float:
    scale = 10.0 ** math.floor(math.log10(rough))
    return next(m * scale for m in (1, 2, 5, 10) if m * scale >= rough * (1 - 1e-9))


def _label(time_s: float, power: int, decimals: int) -> str:
    text = f"{time_s / 10.0**power:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")
