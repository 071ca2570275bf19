"""Compensation against everything that could bias it: ringing, slow edges, rates, noise."""

from __future__ import annotations

import math

import pytest

from service.pipeline.compensation import measure_compensation
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat, Value
from tests.service.pipeline.waves import Wave

INTERVAL_S, PERIODS = 0.5e-6, 12.5
BITS = FrameFormat(8, "N", 1)
STEP_V = 11.0 / 256
USUAL_NOISE_V = 0.013
"""A third of a code: what a converter in a window of 11 V has."""
LEADS = ((0.0, 45e6, 35e-9), (0.3, 45e6, 35e-9), (0.3, 5e6, 150e-9))
"""Overshoot, frequency and decay of a ground lead."""
ERRORS = (-0.2, -0.1, -0.05, -0.02, -0.01, -0.005, 0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)


def percent(wave: Wave) -> Value:
    trace = wave.trace(interval_s=INTERVAL_S, points=int(PERIODS / wave.hertz / INTERVAL_S))
    found = measure_compensation(read_line(trace, baud=2 * wave.hertz, frame=BITS))
    assert found is not None
    return found.percent


def within(wave: Wave) -> None:
    """+-0.3 % of the step, sign right from 0.5 %, and no less certain than it says."""
    found, true = percent(wave), 100 * wave.compensation
    assert abs(found.value - true) <= 0.3, (wave, found)
    assert abs(found.value - true) <= found.u
    if abs(true) >= 0.5:
        assert math.copysign(1, found.value) == math.copysign(1, true)


@pytest.mark.parametrize("lead", LEADS)
@pytest.mark.parametrize("error", [-0.2, -0.005, 0.0, 0.005, 0.2])
def test_neither_ringing_nor_slow_edges_bias_it(error: float, lead: tuple[float, float, float]) -> None:
    """A third of a percent (accepted-when of this house)."""
    ring, ring_hz, decay_s = lead
    for rise_s in (5e-9, 200e-9):
        within(
            Wave(
                compensation=error, ring=ring, ring_hz=ring_hz, ring_decay_s=decay_s, rise_s=rise_s,
                noise_v=USUAL_NOISE_V, first_rise_s=0.117e-3,
            )
        )  # fmt: skip


@pytest.mark.parametrize("hertz", [900.0, 1000.0, 1100.0, 2000.0])
def test_the_rate_of_the_square_does_not_matter(hertz: float) -> None:
    """At 2 kHz half a period is 2.3 time constants: nothing is ever settled."""
    for error in (-0.1, 0.1):
        within(Wave(compensation=error, hertz=hertz, noise_v=USUAL_NOISE_V))


@pytest.mark.parametrize("noise_v", [0.0, 0.1 * STEP_V, 0.2 * STEP_V])
def test_a_converter_without_noise_hides_less_than_a_step_and_u_says_so(noise_v: float) -> None:
    """8 bits over 11 V: a step is 0.86 % of 5 V. (k = 2 may be missed by a little now and then.)"""
    for error in (-0.01, -0.005, 0.005, 0.01, 0.1):
        found = percent(Wave(compensation=error, noise_v=noise_v))
        assert abs(found.value - 100 * error) <= 1.1 * found.u
        assert 0.3 < found.u < 1.3


@pytest.mark.soak
@pytest.mark.parametrize("noise_v", [0.011, 0.02, 0.05])
@pytest.mark.parametrize("lead", LEADS)
@pytest.mark.parametrize("error", ERRORS)
def test_every_error_with_every_lead_edge_rate_and_noise(
    error: float, lead: tuple[float, float, float], noise_v: float
) -> None:
    """The wide matrix."""
    ring, ring_hz, decay_s = lead
    for rise_s in (5e-9, 30e-9, 200e-9):
        for hertz in (950.0, 1000.0, 1007.0):
            for seed in range(6):
                within(
                    Wave(
                        compensation=error, ring=ring, ring_hz=ring_hz, ring_decay_s=decay_s, rise_s=rise_s,
                        noise_v=noise_v, hertz=hertz, seed=seed, first_rise_s=1e-4 + 6.1e-5 * seed,
                    )
                )  # fmt: skip
