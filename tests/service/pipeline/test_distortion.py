"""Distortion against the worked values of the definitions (FS-1037C, army course SS0031)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.distortion import Deviations, bias, in_frames, isochronous, start_stop
from service.pipeline.readings import CUT, LineReading
from tests.service.pipeline.builders import LOOKS, Said, T, line, train


def moved(reading: LineReading, by: dict[int, float] | None = None, *, rising: float = 0.0) -> LineReading:
    """The same line with single edges, or all rising ones, late by parts of a bit."""
    times = reading.edges.times_s + rising * T * reading.edges.rising
    for index, part in (by or {}).items():
        times[index] += part * T
    return replace(reading, edges=replace(reading.edges, times_s=times))


def test_a_slow_sender_shows_in_the_gross_figure_only() -> None:
    """(a) 2 % slow, 0x55 8N1: edge k arrives at 1.02 k; gross 9 x 2 % = 18 % late, synchronous and bias 0."""
    reading = line([Said(0x55, 0.0)], replace(LOOKS, bit_s=1.02 * T))
    gross, synchronous = in_frames(reading, T), in_frames(reading, 1.02 * T)
    assert start_stop(gross) == pytest.approx(18.0)
    assert max(gross.part) == pytest.approx(0.18)
    assert start_stop(synchronous) == pytest.approx(0.0, abs=1e-9)
    assert bias(synchronous) == pytest.approx(0.0, abs=1e-9)


def test_late_and_early_edges_add_up_in_the_isochronous_figure() -> None:
    """(b) edges late by 5 % and early by 3 %: start-stop 5 %, isochronous 8 %."""
    deviations = in_frames(moved(line([Said(0x55, 0.0)]), {3: 0.05, 6: -0.03}), T)
    assert start_stop(deviations) == pytest.approx(5.0)
    assert isochronous(deviations) == pytest.approx(8.0)


def test_late_rising_edges_are_spacing_bias() -> None:
    """(c) falling edges on time, rising ones late by 0.1 unit: spacing bias 10 %, start-stop 10 % late."""
    deviations = in_frames(moved(line([Said(0x55, 0.0)]), rising=0.1), T)
    assert bias(deviations) == pytest.approx(10.0)
    assert start_stop(deviations) == pytest.approx(10.0)
    early = in_frames(moved(line([Said(0x55, 0.0)]), rising=-0.1), T)
    assert bias(early) == pytest.approx(-10.0)  # marks are long: marking bias


def test_each_frame_is_counted_from_its_own_start_edge() -> None:
    """Gaps of any length between characters are no distortion; one edge late by 28 % of a bit is."""
    reading = line(train(b"UUUU", step_s=10.37 * T))
    assert start_stop(in_frames(reading, T)) == pytest.approx(0.0, abs=1e-6)
    assert isochronous(in_frames(moved(reading, {13: 0.28}), T)) == pytest.approx(28.0)


def test_a_frame_that_was_cut_off_takes_no_part() -> None:
    """Only whole, rightly framed characters are looked at."""
    said = [Said(0x55, 0.0), Said(0x55, 20 * T, CUT)]
    assert len(in_frames(line(said), T).part) == 9


def test_without_edges_there_is_no_figure() -> None:
    """No frame, no distortion."""
    none = Deviations(np.empty(0), np.empty(0, dtype=bool), np.empty(0, dtype=np.int64))
    assert (start_stop(none), isochronous(none), bias(none)) == (None, None, None)


def test_an_idle_low_line_is_measured_alike() -> None:
    """Mark and space go by the idle state, not by the voltage."""
    upside_down = line([Said(0x55, 0.0)], replace(LOOKS, idle_high=False))
    times = upside_down.edges.times_s + 0.1 * T * ~upside_down.edges.rising
    late_marks = replace(upside_down, edges=replace(upside_down.edges, times_s=times))
    assert bias(in_frames(late_marks, T)) == pytest.approx(10.0)
