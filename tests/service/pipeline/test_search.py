"""Rate, format and idle level when nothing is given: what the record tells, and what it cannot."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.pipeline.formats import odds_of
from service.pipeline.rates import USUAL_BAUD, candidate_bit_times, frequent_distances, usual_baud
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from tests.bench.blind import blind_runs
from tests.reference import Wire, gaussian, trace_of


@pytest.mark.parametrize("odd", [False, True])
def test_four_varied_characters_give_the_rate(odd: bool, rng: np.random.Generator) -> None:
    """Usual rates 2 % off and any other rate, seven formats: right in all of 40 runs (goal 99 % of many)."""
    right, _, listed = blind_runs(4, odd, 40, rng)
    assert right == 100
    assert listed >= 97.5


def test_sixteen_varied_characters_give_the_format(rng: np.random.Generator) -> None:
    """The true format is always among the survivors and nearly always chosen."""
    right, chosen, listed = blind_runs(16, False, 25, rng)
    assert (right, listed) == (100, 100)
    assert chosen >= 90


def test_zeros_alone_leave_the_rate_open() -> None:
    """A line of 0x00 only has pulses of nine bits: other rates explain it as well, and are listed with their
    odds.
    """
    reading = read_line(trace_of([0x00]))
    rates = reading.notes["rate_candidates"]
    assert len(rates) > 1
    assert max(rate["odds"] for rate in rates) < 0.95
    assert any(rate["baud"] == pytest.approx(230400, rel=0.01) for rate in rates)


def test_the_odds_of_rates_and_formats_add_up() -> None:
    """Each set of survivors holds all that is possible, with odds that sum to one."""
    reading = read_line(trace_of(list(b"Tide 7")))
    assert sum(rate["odds"] for rate in reading.notes["rate_candidates"]) == pytest.approx(1, abs=0.01)
    assert sum(item.odds for item in reading.possible) == pytest.approx(1, abs=0.01)
    assert odds_of({}) == ()


def test_a_given_rate_or_format_is_kept_and_the_other_found() -> None:
    """Half of the settings given: the search fills in the rest."""
    trace = trace_of(list(b"Harbour Street"), 38400, FrameFormat.parse("7E1"), Wire(interval_s=400e-9))
    by_rate = read_line(trace, baud=38400)
    assert by_rate.frame == FrameFormat.parse("7E1")
    by_frame = read_line(trace, frame=FrameFormat.parse("7E1"))
    assert by_frame.bit_time_s is not None
    assert by_frame.bit_time_s.value * 38400 == pytest.approx(1, abs=1e-3)


def test_a_full_line_without_any_pause_is_read_blind_from_its_middle(rng: np.random.Generator) -> None:
    """Nothing rests, both ends are cut: rate, format and idle level still come out."""
    for idle_high in (True, False):
        sent = rng.integers(0, 256, 120).tolist()
        whole = trace_of(sent, wire=Wire(idle_high=idle_high), lead_bits=0, tail_bits=0)
        trace = type(whole)(
            whole.codes[3000:-3000], whole.volts_per_code, whole.volts_at_code_zero, 20e-9, 0.0
        )
        reading = read_line(trace)
        assert str(reading.frame) == "8N1"
        assert reading.idle_high is idle_high
        good = reading.characters.values[reading.characters.errors == 0].tolist()
        assert any(good == sent[n : n + len(good)] for n in range(4))
        assert len(good) > 110


def test_usual_rates_are_recognised_within_two_and_a_half_percent() -> None:
    """230,400 baud 2 % off is still that; 200,000 is none of them."""
    assert usual_baud(1.02 / 230400) == 230400
    assert usual_baud(1 / 200000) is None
    assert all(usual_baud(1 / baud) == baud for baud in USUAL_BAUD)


def test_candidates_hold_the_bit_time_and_its_divisors() -> None:
    """From edges on a grid of 4 us with single bits: 4 us itself, and halves of it for those who doubt."""
    times = np.cumsum([0, 4, 8, 4, 12, 4, 4, 20, 4]) * 1e-6
    found = candidate_bit_times(times, 0.1e-6)
    assert any(bit == pytest.approx(4e-6, rel=0.01) for bit in found)
    assert any(bit == pytest.approx(2e-6, rel=0.01) for bit in found)
    assert frequent_distances(np.zeros(1)) == []
    assert candidate_bit_times(np.zeros(0), 1e-9) == []


@given(st.lists(st.floats(0, 1e-3), min_size=0, max_size=60), st.booleans())
@settings(max_examples=30, deadline=None)
def test_edges_of_any_kind_are_survived(gaps: list[float], idle_high: bool) -> None:
    """Hypothesis: levels that change at any times at all; nothing raises, nothing cut is called whole."""
    level = idle_high
    codes = [np.full(500, 40 if level else -40, np.int8)]
    for gap in gaps:
        level = not level
        codes.append(np.full(1 + int(gap * 1e6), 40 if level else -40, np.int8))
    trace = trace_of([], wire=Wire(interval_s=1e-6))
    trace = type(trace)(np.concatenate(codes), 0.04, 1.65, 1e-6, 0.0)
    for how in ({}, {"baud": 9600.0, "frame": FrameFormat.parse("8N1")}):
        reading = read_line(trace, **how)  # type: ignore[arg-type]
        characters = reading.characters
        assert (characters.end_s >= characters.start_s).all()
        assert (np.diff(characters.start_s) >= 0).all()
        assert ((characters.values >= 0) | (characters.errors != 0)).all()
        assert (characters.first_edge < len(reading.edges)).all()


def test_slow_senders_on_odd_rates_are_found_too() -> None:
    """45.45 and 12345 baud are nobody's usual rates."""
    for baud in (45.45, 12345.0):
        interval = 1 / baud / 30
        wire = Wire(interval_s=interval, shape=gaussian(2 * interval), reach_s=20 * interval)
        reading = read_line(trace_of(list(b"Tide"), baud, wire=wire))
        assert reading.bit_time_s is not None
        assert reading.bit_time_s.value * baud == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize(
    ("value", "count", "sure"),
    [(0x55, 1, True), (0x55, 4, True), (0x55, 16, True), (0xFF, 4, True), (0xFF, 16, True), (0x00, 1, False),
     (0x00, 4, False)],
)  # fmt: skip
def test_one_character_again_and_again_does_not_pass_for_a_faster_line(
    value: int, count: int, sure: bool
) -> None:
    """A square wave of 0x55 fits every multiple of its rate: the simplest explanation is the likeliest; but
    0x00 leaves the rate open.
    """
    trace = trace_of([value] * count, wire=Wire(noise_v=0.02), phase=0.3, rng=np.random.default_rng(1))
    reading = read_line(trace)
    rates = reading.notes["rate_candidates"]
    assert rates[0]["baud"] == pytest.approx(230400, rel=1e-3)
    assert len(reading.characters) == count
    assert (rates[0]["odds"] > 0.95) == sure


def test_pauses_of_the_same_odd_length_leave_the_rate_to_the_edges() -> None:
    """Four 0x00 with 1.7 bits between them: 230400 and, a bit longer, 256000 are named, none as certain."""
    trace = trace_of([0] * 4, wire=Wire(noise_v=0.02), gaps_bits=1.7, phase=0.3, rng=np.random.default_rng(1))
    rates = {round(c["baud"], -3): c["odds"] for c in read_line(trace).notes["rate_candidates"]}
    assert 0.2 < rates[230000] < 0.95
    assert 0.05 < rates[256000] < 0.8
