"""A square wave's numbers against closed forms: levels, rate, duty, corners, ringing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.readings import Value
from service.pipeline.square_wave import SquareWave, measure_square
from service.pipeline.trace import Trace
from tests.service.pipeline.waves import Wave, flat

CLOSE = {"interval_s": 1e-9, "points": 4000, "start_s": -1e-6}
"""A close-up of one edge, which then lies at 0 s; a second one is needed for a wave, so the rate is high."""


def measured(wave: Wave, **record: float) -> SquareWave:
    found = measure_square(wave.trace(**record))  # type: ignore[arg-type]
    assert found is not None
    return found


def covers(value: Value | None, true: float, times: float = 1.0) -> bool:
    assert value is not None
    return abs(value.value - true) <= times * value.u


def test_levels_amplitude_rate_and_duty_of_a_plain_square_wave() -> None:
    """About 1 kHz and 5 V (common practice, no source): each number within its stated uncertainty."""
    found = measured(Wave(hertz=1003.7, duty=0.47))
    assert covers(found.low_v, 0.0)
    assert covers(found.high_v, 5.0)
    assert covers(found.amplitude_v, 5.0)
    assert found.amplitude_v.u < 0.05
    assert covers(found.frequency_hz, 1003.7)
    assert found.frequency_hz.u < 0.1
    assert covers(found.duty, 0.47)
    assert len(found.edges_s) == 20
    assert found.clipped == ()


@pytest.mark.parametrize("noise_v", [0.0, 0.02, 0.15])
def test_the_stated_interval_covers_what_is_true(noise_v: float) -> None:
    """k = 2 should hold the truth in about 95 %; at least 88 % of 60 seeds (chance of fewer: 2 %)."""
    held = {"low_v": 0, "high_v": 0, "frequency_hz": 0}
    for seed in range(60):
        wave = Wave(
            noise_v=noise_v,
            seed=seed,
            hertz=1000 * (1 + 1e-4 * math.sin(seed)),
            high_v=5 + 0.04 * math.sin(3 * seed),
            low_v=0.03 * math.cos(5 * seed),
            first_rise_s=1e-4 + 7.77e-6 * seed,
        )
        found = measured(wave)
        held["low_v"] += covers(found.low_v, wave.low_v)
        held["high_v"] += covers(found.high_v, wave.high_v)
        held["frequency_hz"] += covers(found.frequency_hz, wave.hertz)
    assert min(held.values()) >= 53, held


def test_a_badly_trimmed_probe_moves_corners_and_not_levels() -> None:
    """Half a period is about 4.5 time constants: what is left of a 20 % error then is extrapolated."""
    for compensation in (-0.2, 0.05, 0.2):
        found = measured(Wave(compensation=compensation, noise_v=0.03))
        assert found.amplitude_v.value == pytest.approx(5.0, abs=0.02)
        assert covers(found.amplitude_v, 5.0)
        assert covers(measured(Wave(compensation=compensation)).amplitude_v, 5.0)


@pytest.mark.parametrize("hertz", [977.0, 1000.0, 1023.4])
def test_a_period_of_whole_samples_is_no_more_certain_than_others(hertz: float) -> None:
    """Each crossing is only known to a sample; where all are off alike the scatter would not show it."""
    found = measured(Wave(hertz=hertz, noise_v=0.0, rise_s=0.0))
    assert covers(found.frequency_hz, hertz)
    assert found.frequency_hz.u > 1e-6 * hertz


def test_a_clipped_top_is_said_and_no_level() -> None:
    """The window ends at 4 V."""
    found = measured(Wave(window_v=8.0, centre_v=0.0))
    assert found.clipped == ("high",)


@pytest.mark.parametrize(
    ("low_v", "high_v", "clipped"), [(-4.5, 3.0, ("low",)), (-4.5, 4.5, ("low", "high"))]
)
def test_each_clipped_end_is_named(low_v: float, high_v: float, clipped: tuple[str, ...]) -> None:
    """A window of 8 V about 0."""
    assert measured(Wave(low_v=low_v, high_v=high_v, window_v=8.0, centre_v=0.0)).clipped == clipped


def test_codes_that_run_downwards_give_the_same_wave() -> None:
    """volts_per_code may be negative."""
    trace = Wave(noise_v=0.02).trace()
    turned = Trace(
        (-trace.codes.astype(np.int16)).astype(np.int16), -trace.volts_per_code, trace.volts_at_code_zero,
        trace.interval_s, trace.start_s,
    )  # fmt: skip
    one, other = measure_square(trace), measure_square(turned)
    assert one is not None
    assert other is not None
    assert other.low_v.value == pytest.approx(one.low_v.value, abs=1e-9)
    assert other.rising.tolist() == one.rising.tolist()


@pytest.mark.parametrize("rise_s", [12e-9, 30e-9, 100e-9])
def test_rise_time_is_that_of_the_edge(rise_s: float) -> None:
    """10 to 90 % of a Gaussian edge, at 1 ns a sample."""
    found = measured(Wave(hertz=1e6, rise_s=rise_s, noise_v=0.01, first_rise_s=0.0), **CLOSE)
    assert found.rise_s is not None
    assert found.fall_s is not None
    assert found.rise_s.value == pytest.approx(rise_s, rel=0.05)
    assert found.fall_s.value == pytest.approx(rise_s, rel=0.05)
    assert covers(found.rise_s, rise_s, times=1.5)


def test_rise_time_is_refused_below_three_samples_an_edge() -> None:
    """Linear interpolation is biased by 8 % there and worse below."""
    found = measured(Wave(rise_s=30e-9))
    assert found.rise_s is None
    assert found.ringing is None


@pytest.mark.parametrize(
    ("ring_hz", "decay_s", "ring"), [(45e6, 35e-9, 0.3), (20e6, 100e-9, 0.1), (8e6, 300e-9, 0.5)]
)
def test_ringing_of_a_ground_lead_has_its_frequency_decay_and_size(
    ring_hz: float, decay_s: float, ring: float
) -> None:
    """A damped sine after each edge, at 1 ns a sample."""
    wave = Wave(
        hertz=0.7e6,
        rise_s=6e-9,
        ring_hz=ring_hz,
        ring_decay_s=decay_s,
        ring=ring,
        noise_v=0.02,
        first_rise_s=0.0,
    )
    found = measured(wave, **CLOSE).ringing
    assert found is not None
    assert found.frequency_hz.value == pytest.approx(ring_hz, rel=0.05)
    assert found.decay_s.value == pytest.approx(decay_s, rel=0.25)
    assert found.percent.value == pytest.approx(100 * ring, rel=0.25)


@pytest.mark.parametrize("noise_v", [0.0, 0.03, 0.1])
def test_what_does_not_ring_is_not_said_to(noise_v: float) -> None:
    """Neither noise nor a badly trimmed probe is an oscillation; overshoot stays within noise."""
    for compensation in (0.0, 0.2, -0.2):
        wave = Wave(
            hertz=0.5e6,
            rise_s=8e-9,
            noise_v=noise_v,
            first_rise_s=0.0,
            compensation=compensation,
            window_v=12.0,
        )
        found = measured(wave, **CLOSE)
        assert found.ringing is None
        assert found.overshoot_percent is not None
        assert found.overshoot_percent.value < 2.5


def test_overshoot_is_that_of_the_first_swing() -> None:
    """exp(-t/T) sin(2 pi f t): its first peak lies at tan(2 pi f t) = 2 pi f T."""
    hertz, decay, ring = 20e6, 60e-9, 0.3
    peak = math.atan(2 * math.pi * hertz * decay) / (2 * math.pi * hertz)
    expected = 100 * ring * math.exp(-peak / decay) * math.sin(2 * math.pi * hertz * peak)
    wave = Wave(hertz=0.5e6, rise_s=4e-9, ring_hz=hertz, ring_decay_s=decay, ring=ring, first_rise_s=0.0)
    found = measured(wave, **CLOSE).overshoot_percent
    assert found is not None
    assert found.value == pytest.approx(expected, abs=1.5)


def test_no_square_wave_is_none() -> None:
    """Noise, a level, one edge, a burst of uneven pulses."""
    at = np.arange(20_000) * 0.5e-6
    rng = np.random.default_rng(1)
    assert measure_square(flat(1.0 + 0.02 * rng.standard_normal(20_000), interval_s=0.5e-6)) is None
    assert measure_square(flat(np.where(at > 5e-3, 3.0, 0.0), interval_s=0.5e-6)) is None
    uneven = np.isin(np.arange(20_000) // 400, [3, 5, 6, 7, 8, 20, 22, 40])
    assert measure_square(flat(np.where(uneven, 3.0, 0.0), interval_s=0.5e-6)) is None


def test_the_instruments_tolerances_widen_u_and_not_what_the_record_says() -> None:
    """JCGM 100 4.3.7: half width over root 3, expanded."""
    trace = Wave().trace()
    plain, wide = (
        measure_square(trace),
        measure_square(trace, vertical_tolerance=0.03, timebase_tolerance=25e-6),
    )
    assert plain is not None
    assert wide is not None
    assert wide.amplitude_v.u_record == plain.amplitude_v.u_record
    assert wide.amplitude_v.u == pytest.approx(
        math.hypot(plain.amplitude_v.u, 2 * 0.03 / math.sqrt(3) * 5), rel=0.01
    )
    assert wide.frequency_hz.u == pytest.approx(
        math.hypot(plain.frequency_hz.u, 2 * 25e-6 / math.sqrt(3) * 1000), rel=0.01
    )


def test_more_noise_is_less_certain() -> None:
    """And still right."""
    quiet, loud = measured(Wave(noise_v=0.02)), measured(replace(Wave(), noise_v=0.2))
    assert loud.high_v.u > quiet.high_v.u
    assert covers(loud.high_v, 5.0, times=1.5)
