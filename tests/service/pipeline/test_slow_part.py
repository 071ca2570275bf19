"""Compensation seen in traffic: against the closed form of the pole-zero model."""

from __future__ import annotations

import numpy as np
import pytest

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat, LineReading
from service.pipeline.slow_part import slow_part
from service.pipeline.trace import Trace

BAUD = 230_400.0
BIT_S = 1 / BAUD
INTERVAL_S = BIT_S / 40


def traffic(error: float, tau_s: float, *, text: bytes = b"\0" * 16, noise_v: float = 0.012) -> LineReading:
    """A line of 3.3 V that idles high and carries `text`, behind a high pass of that size: the step response
    1 + e exp(-t/tau) of the pole-zero model (standards of passive probes), added up over all steps."""
    bits = [1] * 60
    for value in text:
        bits += [0, *((value >> n) & 1 for n in range(8)), 1]
    bits += [1] * 30
    at = np.arange(int(len(bits) * 40)) * INTERVAL_S
    level = np.repeat(bits, 40).astype(float)
    shown = level.copy()
    for n in np.flatnonzero(np.diff(bits)) + 1:
        step = bits[n] - bits[n - 1]
        since = at - n * BIT_S
        shown += np.where(since >= 0, step * error * np.exp(-np.maximum(since, 0) / tau_s), 0.0)
    volts = 3.3 * shown + np.random.default_rng(7).normal(0, noise_v, len(at))
    codes = np.clip(np.round((volts - 1.65) / (5.5 / 256)), -128, 127).astype(np.int8)
    trace = Trace(codes, 5.5 / 256, 1.65, INTERVAL_S, 0.0, -128, 127, "ch1")
    return read_line(trace, baud=BAUD, frame=FrameFormat(8, "N", 1), logic="3.3")


@pytest.mark.parametrize("tau_us", [60, 108, 200])
@pytest.mark.parametrize("percent", [-20, -5, -0.5, 0.5, 2, 5, 20])
def test_the_compensation_error_is_read_from_traffic_with_its_sign(percent: float, tau_us: float) -> None:
    """To 0.3 % of the step, sign right from 0.5 % (issue 6, point 2), whatever the probe's time constant."""
    found = slow_part(traffic(percent / 100, tau_us * 1e-6))
    assert found is not None
    assert abs(found.value - percent) < max(0.3, 0.02 * abs(percent))
    assert found.value * percent > 0
    assert found.u < 0.5


def test_a_well_trimmed_probe_shows_none() -> None:
    """Within its own uncertainty."""
    found = slow_part(traffic(0.0, 108e-6))
    assert found is not None
    assert abs(found.value) < found.u < 0.3


def test_a_line_that_carries_nothing_tells_nothing() -> None:
    """None, never a zero."""
    assert slow_part(traffic(0.1, 108e-6, text=b"")) is None
