"""Edges and their times: IEEE 181 closed-form pulses, steps with known overshoot, glitches."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.pipeline.edges import Span, find_edges, idle_level, sample_places, without_glitches
from service.pipeline.levels import find_states
from service.pipeline.overshoot import overshoot_percent
from service.pipeline.reading import read_line
from service.pipeline.readings import Edges, FrameFormat
from service.pipeline.refine import refine_edges
from service.pipeline.trace import Trace
from tests.reference import Wire, one_pole, trace_of, two_pole

F8N1 = FrameFormat.parse("8N1")


def pulse_train(interval_s: float = 10e-9, periods: int = 20) -> Trace:
    """Low 0, high 5 V; linear rise 1.00-1.10 us, linear fall 6.00-6.20 us, again every 10 us."""
    time = np.arange(round(periods * 10e-6 / interval_s)) * interval_s
    phase = time % 10e-6
    volts = 5 * (np.clip((phase - 1e-6) / 0.1e-6, 0, 1) - np.clip((phase - 6e-6) / 0.2e-6, 0, 1))
    return Trace(volts, 1.0, 0.0, interval_s, 0.0)


def edges_of(trace: Trace) -> Edges:
    states = find_states(trace.codes)
    assert states is not None
    return find_edges(trace, trace.codes, states)


def test_the_occurrence_instants_of_the_closed_form_pulse_are_exact() -> None:
    """IEEE 181 terms: 50 % instants 1.050 and 6.100 us, pulse 5.050 us, period 10 us, by construction."""
    edges = edges_of(pulse_train())
    assert len(edges) == 40
    np.testing.assert_allclose(edges.times_s[:2], [1.05e-6, 6.1e-6], atol=1e-12)
    np.testing.assert_allclose(np.diff(edges.times_s)[::2], 5.05e-6, atol=1e-12)
    np.testing.assert_allclose(np.diff(edges.times_s[::2]), 10e-6, atol=1e-12)
    assert edges.rising.tolist() == [True, False] * 20


def test_a_negative_scale_turns_the_edges_over() -> None:
    """An inverted channel: falling codes are rising volts."""
    trace = pulse_train()
    turned = Trace(-trace.codes, -1.0, 0.0, trace.interval_s, 0.0)
    assert edges_of(turned).rising.tolist() == edges_of(trace).rising.tolist()


@pytest.mark.parametrize(("damping", "percent"), [(0.3, 37.233), (0.5, 16.303), (0.7, 4.599)])
def test_the_overshoot_of_a_two_pole_step_is_the_textbook_one(damping: float, percent: float) -> None:
    """exp(-pi z / sqrt(1 - z^2)), worked values of the textbook formula, to one code of the converter."""
    assert percent == pytest.approx(100 * math.exp(-math.pi * damping / math.sqrt(1 - damping**2)), abs=1e-3)
    wire = Wire(shape=two_pole(600e-9, damping), reach_s=4e-6, range_v=12)
    reading = read_line(trace_of([0x55, 0x0F, 0x33], wire=wire), baud=230400, frame=F8N1)
    assert reading.levels is not None
    assert reading.levels.overshoot_percent == pytest.approx(percent, abs=100 * 12 / 256 / 3.3)


def test_a_line_without_overshoot_has_none_in_spite_of_noise(rng: np.random.Generator) -> None:
    """The greatest of many noisy samples is no overshoot."""
    for noise in (0.0, 0.05, 0.2):
        reading = read_line(
            trace_of([0x55, 0x0F], wire=Wire(noise_v=noise), rng=rng), baud=230400, frame=F8N1
        )
        assert reading.levels is not None
        assert reading.levels.overshoot_percent == pytest.approx(0, abs=2)
    trace = pulse_train()
    states = find_states(trace.codes)
    assert states is not None
    no_edges = Edges(np.zeros(0), np.zeros(0, bool))
    assert overshoot_percent(trace, trace.codes, states, no_edges, 1e-6) is None
    assert overshoot_percent(trace, trace.codes, states, edges_of(trace), 1e-9) is None


def test_a_single_pole_edge_is_measured_with_its_rise_time() -> None:
    """t10-90 = ln 9 tau = 2.19722 tau (textbook), found by the edge template within 3 %."""
    tau = 60e-9
    wire = Wire(shape=one_pole(math.log(9) * tau), interval_s=10e-9)
    trace = trace_of([0x55, 0x0F], wire=wire)
    reading = read_line(trace, baud=230400, frame=F8N1)
    assert reading.notes["edge_shape"] == "pole"
    assert reading.notes["edge_rise_s"] == pytest.approx(2.19722 * tau, rel=0.03)


def test_template_times_are_finer_than_interpolated_ones(rng: np.random.Generator) -> None:
    """With ten samples an edge the fit uses all of them: the scatter about the true times shrinks to half or
    less.
    """
    wire = Wire(shape=one_pole(200e-9), noise_v=0.05)
    trace = trace_of([0x55] * 40, wire=wire, rng=rng)
    states = find_states(trace.codes)
    assert states is not None
    plain = find_edges(trace, trace.codes, states)
    reading = read_line(trace, baud=230400, frame=F8N1)
    assert reading.levels is not None
    fine = refine_edges(trace, trace.codes, reading.levels, plain, 1 / 230400)
    assert fine is not None
    truth = np.arange(400) / 230400

    def scatter(edges: Edges) -> float:
        off = edges.times_s - truth
        return float(
            np.std(off - np.where(edges.rising, off[edges.rising].mean(), off[~edges.rising].mean()))
        )

    assert scatter(fine.edges) < 0.55 * scatter(plain)
    assert scatter(fine.edges) == pytest.approx(fine.sigma_s, rel=0.25)


def test_the_resting_level_is_the_one_held_longer_than_a_frame() -> None:
    """High, low, or unknown where the line never rests or where one of two rests is a break."""
    busy = Edges(np.array([0.0, 1, 2, 3]), np.array([False, True, False, True]))
    assert idle_level(busy, Span(-20.0, 5.0), 10.0) is True
    assert idle_level(busy, Span(-1.0, 5.0), 10.0) is None
    assert idle_level(Edges(busy.times_s, ~busy.rising), Span(-20.0, 5.0), 10.0) is False
    assert idle_level(Edges(np.zeros(0), np.zeros(0, bool)), Span(0.0, 1.0), 1.0) is None
    broken = Edges(np.array([0.0, 30.0]), np.array([False, True]))
    assert idle_level(broken, Span(-20.0, 50.0), 10.0) is None


def test_the_shortest_of_neighbouring_short_pulses_goes_first() -> None:
    """A spike close to a real edge is taken out without moving the edge."""
    times = np.array([0.0, 0.30, 0.36, 1.0, 2.0])
    edges = Edges(times, np.array([False, True, False, True, False]))
    clean = without_glitches(edges, 1.0)
    np.testing.assert_allclose(clean.times_s, [0.0, 1.0, 2.0])
    assert clean.rising.tolist() == [False, True, False]


def test_places_are_the_samples_next_to_the_edges() -> None:
    """Seconds on the capture's axis back to sample numbers."""
    trace = Trace(np.zeros(100), 1.0, 0.0, 2.0, -50.0)
    assert sample_places(trace, Edges(np.array([-50.0, 10.9]), np.array([True, False]))).tolist() == [0, 30]
