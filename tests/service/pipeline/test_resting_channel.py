"""Zero, noise, hum and drop-outs of channels at rest; steadiness of a trigger; gain from levels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.pipeline.dropouts import find_dropouts
from service.pipeline.idle import measure_idle
from service.pipeline.steadiness import measure_steadiness
from service.pipeline.trace import Trace
from tests.service.pipeline.waves import Floats, flat

MS = 1e-3


def idle_trace(
    seconds: float = 0.1, zero_v: float = 0.012, noise_v: float = 0.02, hum_v: float = 0.0, hertz: float =
    50.0, seed: int = 1, phase: float = 0.4, points: int = 20_000,
) -> Trace:  # fmt: skip
    """hum_v is an rms value."""
    at = np.arange(points) * seconds / points
    hum = hum_v * math.sqrt(2) * np.sin(2 * math.pi * hertz * at + phase)
    noise = noise_v * np.random.default_rng(seed).standard_normal(points)
    return flat(zero_v + hum + noise, interval_s=seconds / points, centre_v=0.0)


def test_zero_noise_and_floor_of_a_quiet_channel() -> None:
    """q / sqrt(12), GUM F.2.2.1: 5.12 V in 256 steps is 20 mV, 5.77 mV rms; it adds to the noise in
    squares.
    """
    found = measure_idle(idle_trace())
    assert found.floor_v == pytest.approx(0.0057735, rel=1e-4)
    assert abs(found.zero_v.value - 0.012) <= found.zero_v.u
    assert found.noise_v.value == pytest.approx(math.hypot(0.02, found.floor_v), rel=0.03)
    assert found.hum_v is not None
    assert found.hum_v.value <= found.hum_v.u
    assert found.hum_hz is None


@pytest.mark.parametrize("hertz", [50.0, 60.0])
@pytest.mark.parametrize("hum_v", [0.01, 0.1])
def test_hum_is_found_with_its_size_and_its_mains(hertz: float, hum_v: float) -> None:
    """And neither moves the zero nor counts as noise."""
    found = measure_idle(idle_trace(seconds=0.21, hum_v=hum_v, hertz=hertz))
    assert found.hum_v is not None
    assert abs(found.hum_v.value - hum_v) <= max(found.hum_v.u, 0.02 * hum_v)
    assert found.hum_hz == hertz
    assert abs(found.zero_v.value - 0.012) <= found.zero_v.u
    assert found.noise_v.value == pytest.approx(math.hypot(0.02, found.floor_v), rel=0.03)


def test_a_record_shorter_than_a_period_of_the_mains_knows_no_hum_and_less_of_the_zero() -> None:
    """5 ms of a 50 Hz hum: the zero's uncertainty holds what is seen to move."""
    found = measure_idle(idle_trace(seconds=5 * MS, hum_v=0.05))
    assert found.hum_v is None
    whole = measure_idle(idle_trace(seconds=20 * MS, hum_v=0.05))
    assert whole.hum_v is not None
    assert whole.hum_hz is None  # one period does not tell 50 from 60 Hz
    assert found.zero_v.u > 5 * whole.zero_v.u


@pytest.mark.parametrize(("noise_v", "hum_v"), [(0.02, 0.0), (0.02, 0.05), (0.004, 0.0)])
def test_the_zeros_interval_covers(noise_v: float, hum_v: float) -> None:
    """k = 2: at least 54 of 60; where noise is less than a step, the rounding of the mean is in it."""
    held = 0
    for seed in range(60):
        zero = 0.02 * math.sin(7 * seed)
        found = measure_idle(
            idle_trace(zero_v=zero, noise_v=noise_v, hum_v=hum_v, seed=seed, phase=0.3 * seed)
        )
        held += abs(found.zero_v.value - zero) <= found.zero_v.u
    assert held >= 54


def test_the_scopes_own_accuracy_widens_u_only() -> None:
    """A ratio of the value."""
    trace = idle_trace(zero_v=1.0, noise_v=0.02)
    plain, wide = measure_idle(trace), measure_idle(trace, vertical_tolerance=0.03)
    assert wide.zero_v.u_record == plain.zero_v.u_record
    assert wide.zero_v.u == pytest.approx(math.hypot(plain.zero_v.u, 2 * 0.03 / math.sqrt(3)), rel=1e-3)


def test_a_handful_of_samples_is_no_record() -> None:
    """ValueError says how many it takes."""
    with pytest.raises(ValueError, match="16 samples"):
        measure_idle(idle_trace(points=10))


# --- drop-outs ----------------------------------------------------------------------------------------------


def line_with_gaps(
    starts: tuple[float, ...],
    length_s: float = MS,
    seconds: float = 10.0,
    rate: float = 20e3,
    noise_v: float = 0.02,
) -> Trace:
    """A line at rest at 3.28 V that is lost now and then."""
    at: Floats = np.arange(int(seconds * rate)) / rate
    volts = np.full(len(at), 3.28)
    for start in starts:
        volts[(at >= start) & (at < start + length_s)] = 0.0
    volts += noise_v * np.random.default_rng(3).standard_normal(len(at))
    return flat(volts, interval_s=1 / rate)


def test_a_drop_out_of_a_millisecond_is_found_in_ten_seconds() -> None:
    """needs of this house, G3; place and length within their uncertainty."""
    found = find_dropouts(line_with_gaps((4.2123, 7.5, 7.9)), 3.28)
    assert found is not None
    assert found.count == 3
    assert np.abs(found.starts_s - [4.2123, 7.5, 7.9]).max() <= 2 * found.u_s
    assert np.abs(found.lengths_s - MS).max() <= 3 * found.u_s
    assert found.watched_s == pytest.approx(10.0, rel=1e-3)


def test_a_line_that_stays_has_none() -> None:
    """Noise of a tenth of the swing does not cut it."""
    found = find_dropouts(line_with_gaps((), noise_v=0.3), 3.28)
    assert found is not None
    assert found.count == 0


def test_noise_does_not_count_one_drop_out_twice() -> None:
    """Two thresholds, not one."""
    found = find_dropouts(line_with_gaps((2.0, 5.0), length_s=20 * MS, noise_v=0.3), 3.28)
    assert found is not None
    assert found.count == 2


def test_characters_are_no_drop_outs_and_a_drop_out_among_them_is() -> None:
    """9600 baud: nine bits low last 0.94 ms, so that 1.25 ms is the shortest that can be told."""
    rate, bit_s = 100e3, 1 / 9600
    at: Floats = np.arange(int(1.0 * rate)) / rate
    low = (np.mod(at, 12 * bit_s) < 9 * bit_s) & (at > 0.1)  # NUL after NUL
    volts = np.where(low, 0.0, 3.28)
    plain = find_dropouts(flat(volts, interval_s=1 / rate), 3.28, baud=9600)
    assert plain is not None
    assert plain.count == 0
    assert plain.shortest_s == pytest.approx(12 * bit_s)
    volts[(at > 0.5) & (at < 0.505)] = 0.0
    lost = find_dropouts(flat(volts, interval_s=1 / rate), 3.28, baud=9600)
    assert lost is not None
    assert lost.count == 1


def test_a_gap_that_the_record_begins_or_ends_in_counts() -> None:
    """As far as it is seen."""
    found = find_dropouts(line_with_gaps((-0.5 * MS, 0.9985), length_s=2 * MS, seconds=1.0), 3.28)
    assert found is not None
    assert found.count == 2


@pytest.mark.parametrize(("driven_v", "rate"), [(0.05, 20e3), (3.28, 5e3)])
def test_where_the_record_cannot_tell_there_is_no_answer(driven_v: float, rate: float) -> None:
    """A line that rests near zero volts; samples too far apart for a third of a millisecond."""
    assert find_dropouts(line_with_gaps((0.4,), seconds=1.0, rate=rate), driven_v) is None


# --- steadiness ---------------------------------------------------------------------------------------------


def test_steadiness_is_the_standard_deviation_with_its_own_uncertainty() -> None:
    """JCGM 100 E.4.3: s / sqrt(2 nu); over 400 draws of 10 shots 1 ns is covered by k = 2 in 88 % or more."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        found = measure_steadiness(rng.normal(2e-6, 1e-9, 10).tolist())
        held += abs(found.spread_s.value - 1e-9) <= found.spread_s.u
        assert found.shots == 10
    assert held >= 352


def test_the_means_interval_uses_students_t() -> None:
    """JCGM 100 table G.2: 2.78 for five shots; covers in 93 to 97 % of 1000 draws."""
    rng = np.random.default_rng(6)
    draws = rng.normal(0.0, 1.0, (1000, 5))
    held = sum(abs(m.value) <= m.u for m in (measure_steadiness(row.tolist()).mean_s for row in draws))
    assert 925 <= held <= 975


def test_a_shot_that_stands_apart_is_counted_and_left_out() -> None:
    """Robustly: it does not hide itself in the spread that it makes."""
    places = [1e-9 * n for n in (0, 1, -1, 2, 0, 1, -2, 900)]
    found = measure_steadiness(places)
    assert found.outliers == (7,)
    assert found.spread_s.value < 3e-9
    assert found.all_s.value == pytest.approx(np.std(places, ddof=1)), "who uses this trigger meets it"


def test_equal_places_are_steady_to_the_resolution() -> None:
    """Not to nothing."""
    found = measure_steadiness([5e-9] * 6, resolution_s=1e-9)
    assert found.spread_s.value == pytest.approx(0, abs=1e-20)
    assert found.spread_s.u == pytest.approx(2e-9 / math.sqrt(3))
    assert found.outliers == ()
    with pytest.raises(ValueError, match="3 shots"):
        measure_steadiness([0.0, 1.0])
