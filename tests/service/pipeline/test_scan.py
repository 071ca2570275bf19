"""The fast scan over raw codes gives the same edges as the sample-by-sample rule it stands for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples
from service.pipeline.scan import ROW, busy_rows, find_crossings


def by_the_rule(codes: NDArray[Any], thresholds: Thresholds) -> list[tuple[int, bool]]:
    """The hysteresis rule, one sample after the other: (first settled sample of the new state, rising)."""
    found, state = [], None
    for index, code in enumerate(codes.tolist()):
        new = True if code >= thresholds.high else False if code <= thresholds.low else state
        if state is not None and new != state:
            found.append((index, bool(new)))
        state = new
    return found


def line(rng: np.random.Generator, count: int, bit: float, noise: float, rise: int) -> NDArray[np.float64]:
    bits = rng.integers(0, 2, int(count / bit) + 2)
    wave = bits[(np.arange(count) / bit).astype(int)] * 80.0 - 40
    return np.convolve(wave, np.ones(rise) / rise, "same") + rng.normal(0, noise, count)


THRESHOLDS = Thresholds(-16.0, 0.0, 16.0)


def same(one: Crossings, other: Crossings) -> None:
    assert one.rising.tolist() == other.rising.tolist()
    np.testing.assert_allclose(one.positions, other.positions, atol=1e-9)


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64])
@pytest.mark.parametrize(
    ("bit", "noise", "rise"), [(217, 1, 5), (217, 9, 25), (40, 8, 10), (5, 2, 2), (4, 0, 1)]
)
def test_words_and_samples_find_the_same_edges(
    kind: Any, bit: float, noise: float, rise: int, rng: np.random.Generator
) -> None:
    """Any type, any number of samples a bit, clean or noisy: one answer, and that of the plain rule."""
    wave = np.clip(np.rint(line(rng, 30_011, bit, noise, rise)), -128, 127)
    shift = 128 if np.dtype(kind).kind == "u" else 0
    codes = (wave + shift).astype(kind)
    thresholds = Thresholds(*(value + shift for value in (-16.0, 0.0, 16.0)))
    found = find_crossings(codes, thresholds)
    same(found, crossings_by_samples(codes, thresholds.as_type(codes.dtype), thresholds.middle))
    plain = by_the_rule(codes, thresholds)
    assert found.rising.tolist() == [rising for _, rising in plain]
    settled = np.array([index for index, _ in plain])
    assert (found.positions <= settled).all()
    assert (settled - found.positions < 3 * rise + 12).all()


def test_an_idle_record_with_rare_bursts_is_screened_without_loss(rng: np.random.Generator) -> None:
    """Rows that rest are skipped; edges at the borders of rows, of chunks and of the record are found."""
    for resting in (40, -40):
        codes = np.rint(rng.normal(resting, 1, 1 << 20)).astype(np.int8)
        borders = [3, ROW - 1, 5 * ROW - 90, 9 * ROW, 9 * ROW + 170, 1 << 18, (1 << 19) - 60, (1 << 20) - 80]
        for first in borders:
            codes[first : first + 75] *= -1
        limits = THRESHOLDS.as_type(codes.dtype)
        rows = busy_rows(codes, limits)
        assert rows is not None
        assert len(rows) < 30
        same(find_crossings(codes, THRESHOLDS), crossings_by_samples(codes, limits, 0.0))
        assert len(find_crossings(codes, THRESHOLDS).positions) == len(by_the_rule(codes, THRESHOLDS))


def test_the_crossing_lies_on_the_straight_line_between_two_samples() -> None:
    """IEEE 181: linear interpolation; samples 2.0 and 3.0 at 1.04 and 1.06 us cross 2.5 at 1.05 us (worked
    value).
    """
    volts = np.zeros(80)
    volts[52], volts[53], volts[54:] = 2.0, 3.0, 5.0
    found = find_crossings(volts, Thresholds(1.5, 2.5, 3.5))
    assert found.positions.tolist() == [pytest.approx(52.5)]
    assert found.positions[0] * 20e-9 == pytest.approx(1.05e-6)


def test_a_runt_is_counted_and_is_no_edge() -> None:
    """An excursion over the middle that does not reach the other state."""
    codes = np.full(4000, 40, np.int8)
    codes[1000:1004] = -10
    codes[2001:2300] = -40
    found = find_crossings(codes, THRESHOLDS)
    assert found.rising.tolist() == [False, True]
    assert found.runts == 1


def test_a_plateau_between_the_states_belongs_to_the_old_one() -> None:
    """Half level (two drivers): the line counts as changed only when the other state is reached."""
    codes = np.full(4000, 40, np.int8)
    codes[1000:2000] = 5
    codes[2000:3000] = -40
    found = find_crossings(codes, THRESHOLDS)
    assert found.rising.tolist() == [False, True]
    assert found.positions[0] == pytest.approx(2000, abs=1)


@given(st.lists(st.integers(-128, 127), min_size=1, max_size=400), st.integers(1, 9))
@settings(max_examples=150, deadline=None)
def test_any_codes_at_all_give_the_edges_of_the_rule(values: list[int], stretch: int) -> None:
    """Hypothesis: whatever the codes, the scan agrees with the plain rule and alternates."""
    codes = np.repeat(np.array(values, np.int8), stretch)
    found = find_crossings(codes, THRESHOLDS)
    plain = by_the_rule(codes, THRESHOLDS)
    assert len(found.positions) == len(plain)
    if plain and plain[0][1] == bool(found.rising[0]):
        assert found.rising.tolist() == [rising for _, rising in plain]


@pytest.mark.parametrize("count", [0, 1, 2, 7, 8, 9, 15, 16, 17])
def test_tiny_records_are_no_trouble(count: int) -> None:
    """From no sample at all to two words."""
    codes = np.where(np.arange(count) < count // 2, -40, 40).astype(np.int8)
    assert len(find_crossings(codes, THRESHOLDS).positions) == (count > 1)
