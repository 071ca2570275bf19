"""Square waves in closed form, with what probes, leads, noise and converters do to them.

Written from the formulas alone (pole-zero model of a compensated divider, Gaussian edge, damped sine), with
scipy's normal distribution; nothing of the pipeline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from service.pipeline.trace import Trace

Floats = NDArray[np.float64]
SIGMAS_OF_RISE = 2.5631031310892007
"""10 to 90 % of a normal distribution in standard deviations: twice the quantile of 0.9."""
C2_PF, PARALLEL_OHM = 108.0, 0.9e6


@dataclass(frozen=True)
class Wave:
    """A square wave and the way that it is seen."""

    low_v: float = 0.0
    high_v: float = 5.0
    hertz: float = 1000.0
    duty: float = 0.5
    first_rise_s: float = 0.13e-3
    """A rising edge lies here, and one period apart for ever."""
    rise_s: float = 30e-9
    compensation: float = 0.0
    """First instant over final value, minus 1."""
    ring_hz: float = 0.0
    ring_decay_s: float = 100e-9
    ring: float = 0.0
    """Share of the step."""
    noise_v: float = 0.01
    window_v: float = 11.0
    centre_v: float = 2.5
    bits: int = 8
    seed: int = 1

    @property
    def tau_s(self) -> float:
        """(R1 parallel R2)(C1 + C2), C1 from the error: 0.1 (1 + e) = C1 / (C1 + C2)."""
        at_once = 0.1 * (1 + self.compensation)
        return PARALLEL_OHM * 1e-12 * (C2_PF * at_once / (1 - at_once) + C2_PF)

    def edges(self, start_s: float, end_s: float) -> tuple[Floats, Floats]:
        """Times and directions of all edges from some periods before the record."""
        period = 1 / self.hertz
        first = math.floor((start_s - self.first_rise_s) / period) - 12
        last = math.ceil((end_s - self.first_rise_s) / period) + 1
        rises = self.first_rise_s + period * np.arange(first, last)
        times = np.column_stack([rises, rises + self.duty * period]).ravel()
        return times, np.tile([1.0, -1.0], len(rises))

    def volts(self, at: Floats) -> Floats:
        """Without noise: one response for each edge, added up."""
        times, ways = self.edges(float(at[0]), float(at[-1]))
        sigma = self.rise_s / SIGMAS_OF_RISE
        share = np.zeros(len(at))
        for edge, way in zip(times.tolist(), ways.tolist(), strict=True):
            since = at - edge
            late = np.maximum(since, 0.0)
            form = ndtr(since / sigma) if sigma else (since >= 0).astype(np.float64)
            form = form * (1 + self.compensation * np.exp(-late / self.tau_s))
            if self.ring:
                form += (
                    (since >= 0)
                    * self.ring
                    * np.exp(-late / self.ring_decay_s)
                    * np.sin(2 * math.pi * self.ring_hz * late)
                )
            share += way * form
        return np.asarray(self.low_v + (self.high_v - self.low_v) * share)

    def trace(self, interval_s: float = 0.5e-6, points: int = 20_000, start_s: float = 0.0) -> Trace:
        """As a converter of so many bits gives it."""
        at: Floats = start_s + np.arange(points, dtype=np.float64) * interval_s
        volts = self.volts(at) + self.noise_v * np.random.default_rng(self.seed).standard_normal(points)
        half = 2 ** (self.bits - 1)
        step = self.window_v / (2 * half)
        codes = np.clip(np.round((volts - self.centre_v) / step), -half, half - 1)
        kind = np.int8 if self.bits == 8 else np.int16
        return Trace(codes.astype(kind), step, self.centre_v, interval_s, start_s, -half, half - 1, "ch1")


def flat(
    volts: Floats, *, interval_s: float, window_v: float = 5.12, centre_v: float = 1.65, bits: int = 8
) -> Trace:
    """Any waveform as codes."""
    half = 2 ** (bits - 1)
    step = window_v / (2 * half)
    codes = np.clip(np.round((volts - centre_v) / step), -half, half - 1)
    return Trace(codes.astype(np.int8 if bits == 8 else np.int16), step, centre_v, interval_s, 0.0,
                 -half, half - 1, "ch1")  # fmt: skip
