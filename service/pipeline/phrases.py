"""How characters, times and voltages are written in findings and reasons."""

from __future__ import annotations

import math

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))


def character(value: int | None) -> str:
    """0x41 'A'; only visible ASCII is shown, so that nothing received can act on a terminal."""
    if value is None:
        return "nothing"
    shown = f" '{chr(value)}'" if 0x20 < value < 0x7F else ""
    return f"0x{value:02X}{shown}"


def quantity(value: float, unit: str, digits: int = 4) -> str:
    """With an SI prefix: quantity(4.34e-6, "s") = "4.34 µs"."""
    if not math.isfinite(value):
        return f"{value} {unit}"
    scale, prefix = next(((s, p) for s, p in _PREFIXES if abs(value) >= s), _PREFIXES[-1])
    if value == 0:
        scale, prefix = 1.0, ""
    return f"{number(value / scale, digits)} {prefix}{unit}"


def number(value: float, digits: int = 4) -> str:
    """So many significant digits, never with an exponent where a plain number does."""
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e+" in text and abs(value) < 1e6 else text


def moment(time_s: float) -> str:
    """A place on the time axis, in microseconds: as people find it in the waveform."""
    return f"{round(1e6 * time_s, 1) + 0.0:.1f} µs"


def volts(level_v: float) -> str:
    """A level to the millivolt."""
    return f"{round(level_v, 3) + 0.0:g} V"


def many(count: int, one: str, more: str | None = None) -> str:
    """many(1, "character") = "1 character", many(3, "character") = "3 characters"."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def line_words(role: str | None) -> str:
    """The role as people say it."""
    return {"to_target": "to-target line", "from_target": "from-target line"}.get(role or "", "bench")
