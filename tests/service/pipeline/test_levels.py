"""State levels: IEEE 181 histogram modes, noise, and what has no two levels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from service.pipeline.levels import find_levels, find_states
from service.pipeline.trace import Trace
from tests.reference import Wire, one_pole, trace_of, two_pole


def trace(codes: NDArray[Any], **how: Any) -> Trace:
    return Trace(codes, how.pop("volts_per_code", 0.04), how.pop("zero", 1.65), 2e-8, 0.0, **how)


def test_levels_of_a_quiet_line_are_within_a_tenth_of_a_code(rng: np.random.Generator) -> None:
    """Noise of half a code and more makes the centroid finer than the converter."""
    for noise in (0.5, 1.0, 3.0):
        levels = find_levels(
            trace_of(rng.integers(0, 256, 60).tolist(), wire=Wire(noise_v=noise * 0.0390625), rng=rng)
        )
        assert levels is not None
        assert levels.low_v == pytest.approx(0.0, abs=0.1 * 0.0390625)
        assert levels.high_v == pytest.approx(3.3, abs=0.1 * 0.0390625)
        # noise of the signal and of the quantiser, q/sqrt(12) (JCGM 100 F.2.2.1)
        assert levels.noise_v == pytest.approx(np.hypot(noise, 12**-0.5) * 0.0390625, rel=0.1)
        assert abs(levels.low_v) < 3 * levels.u_low_v


def test_ringing_of_seventy_percent_does_not_move_the_levels(rng: np.random.Generator) -> None:
    """Minimum and maximum are far off, the modes stay (IEEE 181-2011 5.2.1); two-pole step, damping 0.11."""
    wire = Wire(shape=two_pole(100e-9, 0.11), reach_s=4e-6, noise_v=0.02, range_v=12.0)
    levels = find_levels(trace_of([0x55, 0x0F, 0xA3, 0x00, 0xC8] * 8, wire=wire, rng=rng))
    assert levels is not None
    assert levels.low_v == pytest.approx(0.0, abs=0.1 * 12 / 256)
    assert levels.high_v == pytest.approx(3.3, abs=0.1 * 12 / 256)


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int16, np.uint16, np.float32, np.float64])
def test_every_type_of_codes_gives_the_same_volts(kind: Any, rng: np.random.Generator) -> None:
    """Raw codes of any type, signed or not, are the same line."""
    wire = Wire(noise_v=0.04, dtype=kind, bits=12 if np.dtype(kind).itemsize > 1 else 8)
    levels = find_levels(trace_of([0x41, 0x5A, 0x33], wire=wire, rng=rng))
    assert levels is not None
    assert levels.low_v == pytest.approx(0, abs=0.01)
    assert levels.high_v == pytest.approx(3.3, abs=0.01)


def test_eight_bit_codes_sent_as_sixteen_keep_their_grid(rng: np.random.Generator) -> None:
    """Codes times 256 (INTeger,16) have steps of 256; the levels are as fine as those of plain codes."""
    plain = trace_of([0x41, 0x5A, 0x33], wire=Wire(noise_v=0.04), rng=rng)
    wide = Trace(
        plain.codes.astype(np.int16) * 256, plain.volts_per_code / 256, plain.volts_at_code_zero, 2e-8, 0.0
    )
    one, other = find_levels(plain), find_levels(wide)
    assert one is not None
    assert other is not None
    assert other.low_v == pytest.approx(one.low_v, abs=1e-9)
    assert other.high_v == pytest.approx(one.high_v, abs=1e-9)


def test_one_short_character_in_a_long_idle_record_is_not_overlooked(rng: np.random.Generator) -> None:
    """A sample of the record would miss it; the search beside excursions does not."""
    codes = np.rint(rng.normal(40, 0.8, 3_000_000)).astype(np.int8)
    for start, stop in ((1_500_000, 1_500_080), (1_500_160, 1_500_320)):
        codes[start:stop] = np.rint(rng.normal(-42.3, 0.8, stop - start))
    levels = find_levels(trace(codes))
    assert levels is not None
    assert levels.low_code == pytest.approx(-42.3, abs=0.2)
    assert levels.high_code == pytest.approx(40, abs=0.1)


def test_lines_without_two_levels_have_none(rng: np.random.Generator) -> None:
    """Empty, constant, a flickering last bit, noise of any width, a slow drift of a few codes."""
    assert find_levels(trace(np.zeros(0, np.int8))) is None
    assert find_levels(trace(np.full(1, 7, np.int8))) is None
    assert find_levels(trace(np.full(5000, 7, np.int8))) is None
    assert find_levels(trace(rng.integers(12, 14, 5000).astype(np.int8))) is None
    for noise in (0.3, 1.0, 8.0, 30.0):
        assert (
            find_levels(trace(np.clip(np.rint(rng.normal(3, noise, 40_000)), -128, 127).astype(np.int8)))
            is None
        )
    assert find_levels(trace(rng.normal(0, 1e-3, 10_000))) is None


def test_a_falling_scale_swaps_the_codes_not_the_volts() -> None:
    """An inverted channel has a negative volts_per_code: low_v is still the lower voltage."""
    codes = np.repeat(np.array([20, -60, 20], np.int8), 500)
    levels = find_levels(trace(codes, volts_per_code=-0.05, zero=0.0))
    assert levels is not None
    assert levels.low_v == pytest.approx(-1.0)
    assert levels.high_v == pytest.approx(3.0)


def test_a_state_at_the_end_of_the_converter_is_clipped() -> None:
    """Samples that lie at code_max are no level that was measured."""
    codes = np.repeat(np.array([127, -60, 127], np.int8), 500)
    levels = find_levels(trace(codes, code_min=-128, code_max=127))
    assert levels is not None
    assert (levels.clipped_low, levels.clipped_high) == (False, True)


def test_rare_spikes_are_no_state(rng: np.random.Generator) -> None:
    """A few samples of three times the swing do not become the high level."""
    record = trace_of([0x41, 0x5A, 0x33] * 20, wire=Wire(noise_v=0.03, range_v=30.0), rng=rng)
    codes = record.codes.copy()
    codes[1000:1003], codes[60000:60002] = 100, -100
    states = find_states(codes)
    assert states is not None
    assert states.high - states.low == pytest.approx(3.3 / (30 / 256), abs=0.2)


def test_a_slow_exponential_does_not_pull_the_state(rng: np.random.Generator) -> None:
    """A single-pole line that settles within each bit has its final values as states."""
    wire = Wire(shape=one_pole(300e-9), noise_v=0.02)
    levels = find_levels(trace_of(rng.integers(0, 256, 40).tolist(), wire=wire, rng=rng))
    assert levels is not None
    assert levels.high_v == pytest.approx(3.3, abs=0.1 * 0.0390625)


def test_noise_that_the_bandwidth_has_made_slow_is_noise_and_no_line(rng: np.random.Generator) -> None:
    """White noise averaged over eight samples: one level, and its rms comes out within a third."""
    slow = np.convolve(rng.normal(0, 20, 60_000), np.ones(8) / 8, "valid")
    codes = np.rint(slow).astype(np.int8)
    states = find_states(codes)
    assert states is not None
    assert not states.two
    assert states.noise == pytest.approx(float(np.std(slow)), rel=0.34)


def test_fine_codes_with_wide_noise_take_no_finer_bins_than_they_need(rng: np.random.Generator) -> None:
    """Sixteen bits with noise of 300 codes: levels to a twentieth of the noise."""
    codes = np.where(np.arange(60_000) // 300 % 2, 9000, -9000) + rng.normal(0, 300, 60_000)
    states = find_states(np.rint(codes).astype(np.int16))
    assert states is not None
    assert states.two
    np.testing.assert_allclose((states.low, states.high), (-9000, 9000), atol=15)
    assert states.noise == pytest.approx(300, rel=0.1)


@pytest.mark.parametrize("kind", [np.float64, np.int16])
def test_a_flickering_code_of_a_quiet_line_is_not_its_levels(kind: Any, rng: np.random.Generator) -> None:
    """Some 250 samples in 200,000 are low, and the rest flickers between three codes of 16.8 mV (or of 256):
    what a text file or 16 bits hold of it must show the same two levels.
    """
    step = 0.01684 if kind is np.float64 else 256
    line = np.rint(rng.normal(95, 0.5, 200_000))
    for start in (60_000, 60_500, 130_000):
        line[start : start + 80] = np.rint(rng.normal(-100, 0.5, 80))
    states = find_states((line * step).astype(kind))
    assert states is not None
    assert states.two
    assert states.low == pytest.approx(-100 * step, abs=0.2 * step)
    assert states.high == pytest.approx(95 * step, abs=0.2 * step)
