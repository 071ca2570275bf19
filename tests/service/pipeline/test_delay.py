"""Delay from channel to channel against known shifts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from service.pipeline.delay import channel_delay
from service.pipeline.readings import Value
from tests.service.pipeline.waves import Wave, flat

EDGE = Wave(hertz=20e3, first_rise_s=0.0, rise_s=8e-9, noise_v=0.02)
CLOSE: dict[str, Any] = {"interval_s": 0.5e-9, "points": 4000, "start_s": -1e-6}
"""A close-up of a single rising edge."""


def delay(wave: Wave, shift_s: float, **other: Any) -> Value:
    late = replace(wave, first_rise_s=wave.first_rise_s + shift_s, seed=wave.seed + 1000, **other)
    found = channel_delay(wave.trace(**CLOSE), late.trace(**CLOSE))
    assert found is not None
    return found


@pytest.mark.parametrize("shift_s", [-30e-9, -5e-9, -0.13e-9, 0.0, 0.2e-9, 1e-9, 12.34e-9])
def test_a_delay_is_found_far_below_a_sample(shift_s: float) -> None:
    """One edge, samples 0.5 ns apart: within its uncertainty, which is below 0.2 ns."""
    found = delay(EDGE, shift_s)
    assert abs(found.value - shift_s) <= found.u
    assert found.u < 0.2e-9


def test_the_stated_interval_covers() -> None:
    """k = 2, 80 seeds: at least 70 held, and it is no wider than four times what happens."""
    errors, held = [], 0
    for seed in range(80):
        shift = 3e-9 * np.sin(seed)
        found = delay(replace(EDGE, seed=seed, noise_v=0.05), float(shift))
        errors.append(found.value - shift)
        held += abs(errors[-1]) <= found.u
    assert held >= 70
    assert found.u < 4 * 2 * float(np.std(errors))


def test_gain_zero_and_compensation_of_the_channels_do_not_move_it() -> None:
    """Shape is compared, not volts."""
    found = delay(EDGE, 5e-9, high_v=4.6, low_v=0.3, compensation=0.1)
    assert found.value == pytest.approx(5e-9, abs=0.25e-9)


def test_many_edges_are_averaged() -> None:
    """Twenty edges of a coarser record."""
    wave = Wave(hertz=50e3, rise_s=400e-9, noise_v=0.03)
    late = replace(wave, first_rise_s=wave.first_rise_s + 37e-9, seed=9)
    record: dict[str, Any] = {"interval_s": 100e-9, "points": 4000}
    found = channel_delay(wave.trace(**record), late.trace(**record))
    assert found is not None
    assert abs(found.value - 37e-9) <= found.u
    assert found.u < 8e-9


def test_an_edge_within_one_sample_is_known_to_a_sample_and_no_better() -> None:
    """30 ns edges, 0.5 us samples: u says so."""
    wave = replace(EDGE, hertz=1000.0, rise_s=30e-9)
    record: dict[str, Any] = {"interval_s": 0.5e-6, "points": 4000}
    found = channel_delay(wave.trace(**record), replace(wave, seed=7).trace(**record))
    assert found is not None
    assert found.u > 0.05e-6


def test_no_edge_in_both_is_no_delay_and_two_shots_are_an_error() -> None:
    """None; ValueError."""
    rest = flat(np.full(4000, 1.0), interval_s=0.5e-9)
    assert channel_delay(rest, rest) is None
    with pytest.raises(ValueError, match="one shot"):
        channel_delay(EDGE.trace(**CLOSE), EDGE.trace(interval_s=1e-9, points=4000))
