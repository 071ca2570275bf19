"""The trigger comparator: looks at the analogue waveform and fires at a crossing in the slope.

It is primed while the waveform is beyond the level by more than the hysteresis on the wrong side, and fires
when the waveform then reaches the level. Between steps the waveform stands still: there only noise can
carry it over the level, at the rate of crossings of Gaussian noise, bandwidth / sqrt(3) * exp(-distance^2 /
2 sigma^2) (Rice's formula for a flat band; from memory).
"""

from __future__ import annotations

import math

import numpy as np

from simulator.scope.front_end import HUM_HZ
from simulator.scope.inputs import Input
from simulator.scope.settings import ChannelSettings, Settings
from simulator.wires.waveform import Floats

STEPS_AT_ONCE = 2000
SLOWEST_EDGE_S = 3e-6
_NEAR = np.linspace(-1.6, 1.6, 33)
"""Where to look around a step, in units of its 10-90 % time."""
_REFINED = np.linspace(0.0, 1.0, 65)


class Comparator:
    """Searches one source for one arming; call `search` with adjoining intervals."""

    def __init__(self, channel: Input, settings: Settings, rng: np.random.Generator, noise_v: float) -> None:
        number = settings.trigger.channel
        assert number is not None
        self._channel = channel
        self._channel_settings: ChannelSettings = settings.trigger.hears(settings.channels[number - 1])
        self._settings = settings
        self._sigma = math.hypot(noise_v, channel.noise_v(self._channel_settings))
        self._slip_v = self._sigma * float(rng.standard_normal())
        """Noise at the instant of crossing: moves the level a little, anew for each arming."""
        self._patience = float(rng.exponential())
        """How much noise-crossing hazard it takes to fire without a step."""
        self._primed = False

    def search(self, start: float, end: float) -> float | None:
        """The first instant in start..end (bench time) at which it fires."""
        steps = self._channel.steps_between(start, end, self._channel_settings)
        for number in range(0, max(len(steps), 1), STEPS_AT_ONCE):
            chosen = steps[number : number + STEPS_AT_ONCE]
            last = number + STEPS_AT_ONCE >= len(steps)
            until = end if last else float(steps[number + STEPS_AT_ONCE])
            found = self._search_stretch(start, until, chosen)
            if found is not None:
                return found
            start = max(start, until)
        return None

    def _search_stretch(self, start: float, end: float, steps: Floats) -> float | None:
        if end <= start:
            return None
        at = self._looking_places(start, end, steps) - start
        heights = self._height(at, start)
        crossing = self._crossing(at, heights, start)
        by_noise = self._noise_crossing(at, heights, end - start if crossing is None else crossing)
        if by_noise is not None:
            return start + by_noise
        if crossing is not None:
            return start + crossing
        return None

    def _height(self, at: Floats, origin: float) -> Floats:
        """Volts above the level, the slope's sign applied: firing means reaching 0 from below."""
        shown = self._channel.shown(at, origin, self._channel_settings)
        sign = 1.0 if self._settings.trigger.slope == "POS" else -1.0
        return sign * (shown - self._settings.trigger.level_v - self._slip_v)

    def _looking_places(self, start: float, end: float, steps: Floats) -> Floats:
        """Dense around steps, sparse elsewhere, both ends included."""
        unit = self._channel.edge_s(self._channel_settings)
        spans = np.concatenate([scale * _NEAR for scale in (unit, 20e-9, 200e-9, SLOWEST_EDGE_S / 2)])
        tail = self._channel.tail_s()
        if tail:
            spans = np.concatenate([spans, np.geomspace(1e-6, tail, 40)])
        places = (steps[:, None] + spans[None, :]).ravel()
        regular = np.empty(0)
        if self._channel.plan.probe.hum_v:
            regular = np.linspace(start, end, 2 + min(int((end - start) * HUM_HZ * 40), 20_000))
        places = np.concatenate([[start, end], places, regular])
        return np.unique(places[(places >= start) & (places <= end)])

    def _crossing(self, at: Floats, heights: Floats, origin: float) -> float | None:
        """First reaching of 0 after having been primed; the priming is kept for the next stretch."""
        low = np.flatnonzero(heights < -self._settings.hysteresis_v())
        first_low = 0 if self._primed else (int(low[0]) if len(low) else None)
        if first_low is None:
            return None
        high = np.flatnonzero(heights[first_low:] >= 0)
        if not len(high):
            self._primed = True
            return None
        place = first_low + int(high[0])
        return float(at[0]) if place == 0 else self._refine(float(at[place - 1]), float(at[place]), origin)

    def _refine(self, before: float, after: float, origin: float) -> float:
        """The instant between two looking places, by a finer look and a straight line."""
        at = before + (after - before) * _REFINED
        heights = self._height(at, origin)
        high = np.flatnonzero(heights >= 0)
        place = int(high[0]) if len(high) else len(at) - 1
        if place == 0:
            return before
        return float(np.interp(0.0, heights[place - 1 : place + 1], at[place - 1 : place + 1]))

    def _noise_crossing(self, at: Floats, heights: Floats, until: float) -> float | None:
        if self._sigma <= 0:
            return None
        far = np.maximum(np.abs(heights), np.abs(heights + self._settings.hysteresis_v()))[:-1]
        lengths = np.minimum(at[1:], until) - np.minimum(at[:-1], until)
        rate = self._channel.plan.bandwidth_hz / math.sqrt(3) * np.exp(-0.5 * (far / self._sigma) ** 2)
        spent = np.cumsum(rate * lengths)
        if not len(spent) or spent[-1] < self._patience:
            self._patience -= float(spent[-1]) if len(spent) else 0.0
            return None
        place = int(np.searchsorted(spent, self._patience))
        before = float(spent[place - 1]) if place else 0.0
        return float(at[place]) + (self._patience - before) / float(rate[place])
