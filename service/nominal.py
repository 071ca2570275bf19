"""What volts are usual on a station's lines, and whether a wrong factor of ten explains others."""

from __future__ import annotations

from collections.abc import Mapping

NOMINAL_V: Mapping[str, tuple[float, float]] = {
    "1.8": (0.0, 1.8),
    "2.5": (0.0, 2.5),
    "3.3": (0.0, 3.3),
    "5-ttl": (0.0, 5.0),
    "5-cmos": (0.0, 5.0),
    "rs232": (-12.0, 12.0),
}
"""Low and high of an unloaded output of each family: where to look first, nothing is judged by it."""
TEN = 1.4
"""Within this factor of ten times (or a tenth of) the printed volts it is a factor of ten."""
FACTORS = (10.0, 1.0, 0.1)


def most_v(logic: str) -> float:
    """The farthest from zero that lines of that family have, volts."""
    return max(map(abs, NOMINAL_V[logic]))


def factor_of(shown_v: float, printed_v: float) -> float | None:
    """10, 1 or 0.1: how many times the printed volts are shown; None for anything between."""
    shown = shown_v / printed_v
    return next((f for f in FACTORS if f / TEN <= shown <= f * TEN), None)
