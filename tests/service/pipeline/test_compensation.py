"""Compensation against the pole-zero model in closed form: worked values, signs, noise, any start."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from service.pipeline.compensation import Compensation, measure_compensation
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace

Floats = NDArray[np.float64]
C2_PF, PARALLEL_OHM = 108.0, 0.9e6
HALF_S = 500e-6
STEP_V = 11.0 / 256


def shown(picofarad: float, at: Floats) -> Floats:
    """A 0..5 V square of 1 kHz behind a 10x probe whose trimmer has so many picofarads, after many periods.

    After each edge: level + step x e x exp(-t/tau), e scaled so that every half period begins where the one
    before it ended (geometric sum of an alternating series).
    """
    e = picofarad / (picofarad + C2_PF) / 0.1 - 1
    tau_s = PARALLEL_OHM * (picofarad + C2_PF) * 1e-12
    since = np.mod(at, HALF_S)
    high = np.mod(np.floor(at / HALF_S), 2) == 0
    settled = e / (1 + math.exp(-HALF_S / tau_s))
    slow = settled * np.exp(-since / tau_s)
    return np.asarray(5.0 * np.where(high, 1 + slow, -slow))


def measured(
    picofarad: float, *, noise_v: float = 0.01, start_s: float = 0.0003, seed: int = 1
) -> Compensation:
    at: Floats = start_s + np.arange(20_000, dtype=np.float64) * 0.5e-6
    rng = np.random.default_rng(seed)
    volts = shown(picofarad, at) + noise_v * rng.standard_normal(len(at))
    codes = np.clip(np.round((volts - 2.5) / STEP_V), -128, 127).astype(np.int8)
    trace = Trace(codes, STEP_V, 2.5, 0.5e-6, start_s, -128, 127, "ch1")
    found = measure_compensation(read_line(trace, baud=2000.0, frame=FrameFormat(8, "N", 1)))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("picofarad", "percent", "tau_us"),
    [(15.0, 21.95, 110.7), (9.0, -23.08, 105.3)],
)
def test_the_worked_values_of_the_pole_zero_model(picofarad: float, percent: float, tau_us: float) -> None:
    """R1 C1 = R2 C2 with C2 = 108 pF: 15 pF starts at 0.12195, 9 pF at 0.07692 of the signal (calculated)."""
    found = measured(picofarad)
    assert found.percent.value == pytest.approx(percent, abs=0.3)
    assert found.tau_s == pytest.approx(tau_us * 1e-6, rel=0.02)
    assert found.percent.u < 0.32


@pytest.mark.parametrize("percent", [-20, -10, -5, -2, -1, -0.5, 0.5, 1, 2, 5, 10, 20])
def test_each_error_is_found_within_a_third_of_a_percent_with_its_sign(percent: float) -> None:
    """Accepted when (issue of this house): +-0.3 % of the step, sign right from 0.5 %."""
    picofarad = C2_PF * 0.1 * (1 + percent / 100) / (1 - 0.1 * (1 + percent / 100))
    for seed in range(4):
        found = measured(picofarad, seed=seed).percent
        assert found.value == pytest.approx(percent, abs=0.3)
        assert math.copysign(1, found.value) == math.copysign(1, percent)
        assert abs(found.value - percent) <= found.u


def test_a_flat_probe_is_flat_wherever_the_record_begins() -> None:
    """12 pF is right; the first edge may come at any part of a half period."""
    for start_s in (0.0, 1e-6, 130e-6, 499e-6):
        assert abs(measured(12.0, start_s=start_s).percent.value) < 0.15


def test_noise_makes_it_uncertain_and_not_wrong() -> None:
    """0.15 V rms on a 5 V step: the stated uncertainty grows and still covers."""
    quiet, loud = measured(13.0), measured(13.0, noise_v=0.15)
    assert loud.percent.u > quiet.percent.u
    assert abs(loud.percent.value - quiet.percent.value) < loud.percent.u + quiet.percent.u


def test_a_line_without_a_square_wave_has_no_compensation() -> None:
    """One edge says nothing of what comes before and after."""
    codes = np.repeat(np.array([-50, 50], dtype=np.int8), 2000)
    trace = Trace(codes, STEP_V, 2.5, 0.5e-6, 0.0, -128, 127, "ch1")
    assert measure_compensation(read_line(trace, baud=2000.0)) is None
