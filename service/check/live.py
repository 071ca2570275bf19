"""What a person at the reference terminal is shown at each look, and when a step is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.check.cautions import TOO_HIGH, stop_above_v
from service.check.reference import ReferenceView, Sight, Wave
from service.hooks import Look
from service.nominal import factor_of, most_v
from service.pipeline.numbers import quantity, with_uncertainty
from service.shots import channel_label
from service.stations import ROLES, Station

FLAT_PART = 0.5
"""Turning ends well inside the limit: within this part of it."""
NO_BETTER = 0.15
"""Percent by which a compensation error must grow before turning is said to go the wrong way."""


class Live:
    """Looks of one walk. `too_high`: role -> the highest volts that no wrong factor explains."""

    def __init__(self, station: Station, view: ReferenceView) -> None:
        self._station = station
        self._view = view
        self.too_high: dict[str, float] = {}

    def lines(self) -> Look:
        """Both channels as they are; never done by itself."""
        sight = self._view.look()
        return self._stopped(sight) or Look("; ".join(self._shown(sight, role) for role in ROLES))

    def wave(self, role: str, alone: bool) -> Look:
        """Done when the square wave shows on that role's channel. `alone`: no other probe is there."""
        sight = self._view.look()
        wave = self._wave(sight, role)
        text = self._shown(sight, role)
        other = self._wave(sight, _other(role))
        if alone and wave is None and other is not None:
            text += f"; the square wave is on {self._label(_other(role))}: that is the other probe"
        return self._stopped(sight) or Look(text, _values(wave), seen=wave is not None)

    def factor(self, role: str) -> Look:
        """Done when the wave is as high as is printed, and not ten times or a tenth of it."""
        sight = self._view.look()
        wave = self._wave(sight, role)
        right = self._factor(wave) == 1.0
        return self._stopped(sight) or Look(self._shown(sight, role), _values(wave), seen=right)

    def trimmer(self, role: str) -> Callable[[], Look]:
        """Done when the corner is square; says whether turning made it better."""
        last: float | None = None

        def look() -> Look:
            nonlocal last
            sight = self._view.look()
            wave = self._wave(sight, role)
            if (stop := self._stopped(sight)) is not None:
                return stop
            if wave is None or wave.compensation is None:
                return Look(self._shown(sight, role))
            percent = wave.compensation.value
            flat = abs(percent) <= FLAT_PART * self._station.check_limits.flat_percent
            text = f"{self._label(role)}: {in_words(percent, wave.compensation.u)}"
            if not flat and last is not None:
                text += _direction(abs(percent) - abs(last))
            last = percent
            return Look(text, _values(wave), seen=flat)

        return look

    def both(self) -> Look:
        """Done when both channels show it."""
        sight = self._view.look()
        waves = [self._wave(sight, role) for role in ROLES]
        text = "; ".join(self._shown(sight, role) for role in ROLES)
        return self._stopped(sight) or Look(text, seen=None not in waves)

    def _wave(self, sight: Sight, role: str) -> Wave | None:
        return sight.waves[self._station.probes[role].channel]

    def _label(self, role: str) -> str:
        return channel_label(self._station.probes[role].channel)

    def _shown(self, sight: Sight, role: str) -> str:
        """One channel in words."""
        channel, wave = self._station.probes[role].channel, self._wave(sight, role)
        if wave is None:
            return f"{self._label(role)}: no square wave, {sight.flat_v[channel]:.2f} V"
        text = f"{self._label(role)}: {wave.low_v:.2f} to {wave.high_v:.2f} V, {wave.hertz:.0f} Hz"
        factor = self._factor(wave)
        if factor in (10.0, 0.1):
            text += f", {'ten times too much' if factor == 10.0 else 'a tenth of what is printed'}"
        elif wave.compensation is not None:
            text += f", {in_words(wave.compensation.value, wave.compensation.u)}"
        return text

    def _stopped(self, sight: Sight) -> Look | None:
        """More volts than there may be. The terminal behind a wrong factor is known; lines behind one are
        not, so that whoever stands there is stopped and told the other possibility.
        """
        limit = stop_above_v(most_v(self._station.logic), self._station.check_limits)
        for role in ROLES:
            wave = self._wave(sight, role)
            volts = wave.high_v if wave else sight.highest_v[self._station.probes[role].channel]
            if abs(volts) <= limit or self._factor(wave) == 10.0:
                continue
            text = TOO_HIGH.format(channel=self._label(role), volts=volts, limit=limit)
            lines_v = most_v(self._station.logic)
            if factor_of(abs(volts), lines_v) == 10.0:
                text += f" If nothing but {lines_v:g} V can be there, the switch on the probe stands at x1."
            else:
                self.too_high[role] = max(self.too_high.get(role, 0.0), volts, key=abs)
            return Look(text, {"stop": True, "volts": volts})
        return None

    def _factor(self, wave: Wave | None) -> float | None:
        return factor_of(wave.swing_v, self._station.reference.volts) if wave else None


def in_words(percent: float, u: float) -> str:
    """A compensation error as it is said to somebody with a trimmer tool."""
    size = with_uncertainty(abs(percent), u, "%")
    if abs(percent) <= u:
        return f"flat within {quantity(u, '%', digits=2)}"
    return f"{'over' if percent > 0 else 'under'}-compensated by {size}"


def _direction(growth: float) -> str:
    if growth > NO_BETTER:
        return ", worse: turn the other way"
    return ", better: go on" if growth < -NO_BETTER else ", not changed"


def _values(wave: Wave | None) -> dict[str, Any]:
    if wave is None:
        return {}
    seen = wave.compensation
    return {
        "low_v": wave.low_v,
        "high_v": wave.high_v,
        "hertz": wave.hertz,
        "compensation_percent": None if seen is None else seen.value,
        "u_compensation_percent": None if seen is None else seen.u,
    }


def _other(role: str) -> str:
    return next(other for other in ROLES if other != role)
