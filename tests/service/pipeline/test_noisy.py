"""The careful path: noise near the swing, glitches, a wandering zero."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.careful import mixture
from service.pipeline.integrate import Sums, frame_starts, timed_starts
from service.pipeline.noisy import averaged
from service.pipeline.reading import read_line
from service.pipeline.readings import BREAK, FrameFormat
from service.pipeline.trace import Trace
from service.pipeline.wander import without_wander
from tests.bench.lines import LINES, TEXT, Made
from tests.bench.noise import error_rate, noisy_record
from tests.bench.records import record as long_record
from tests.reference import Wire, trace_of

F8N1 = FrameFormat.parse("8N1")


@pytest.mark.parametrize("samples", [20, 50, 200])
@pytest.mark.parametrize("blind", [True, False])
def test_at_six_decibels_all_characters_are_right(
    samples: int, blind: bool, rng: np.random.Generator
) -> None:
    """Half the swing only twice the noise; levels, timing, rate (and format) come from the record."""
    assert error_rate(samples, 6.0, 3, blind, rng) == 0


@pytest.mark.parametrize(("samples", "ratio_db"), [(20, 0.76), (50, -3.21), (200, -9.24)])
def test_two_and_a_half_decibels_from_the_bound_few_are_wrong(
    samples: int, ratio_db: float, rng: np.random.Generator
) -> None:
    """Integrate-and-dump bound for 1e-3 plus 2.5 dB: at most 2 of 400 characters wrong."""
    assert error_rate(samples, ratio_db, 4, False, rng) <= 2 / 400


def test_a_long_stream_without_pauses_does_not_drift_away_in_noise(rng: np.random.Generator) -> None:
    """1200 characters back to back at 6 dB from a sender 1 % fast or slow: none is lost."""
    for off in (-0.01, 0.0, 0.01):
        sent = rng.integers(0, 256, 1200).tolist()
        wire = Wire(noise_v=0.8, interval_s=1 / 230400 / 20, range_v=14)
        reading = read_line(trace_of(sent, 230400 * (1 + off), wire=wire, rng=rng), baud=230400, frame=F8N1)
        assert reading.notes["path"] == "careful"
        assert reading.characters.values.tolist() == sent


def test_both_paths_give_the_same_answer_where_both_work(rng: np.random.Generator) -> None:
    """At 11.9 and 12.6 dB one path each reads the line; the characters, levels and rate agree."""
    sent = list(b"Harbour Street")
    readings = []
    for ratio in (11.6, 13.0):
        wire = Wire(noise_v=1.65 / 10 ** (ratio / 20), interval_s=80e-9)
        readings.append(read_line(trace_of(sent, wire=wire, rng=rng), baud=230400, frame=F8N1))
    careful, fast = readings
    assert (careful.notes["path"], fast.notes["path"]) == ("careful", "fast")
    for reading in readings:
        assert reading.characters.values.tolist() == sent
        assert reading.levels is not None
        assert reading.bit_time_s is not None
        assert reading.levels.low_v == pytest.approx(0, abs=0.05)
        assert reading.levels.high_v == pytest.approx(3.3, abs=0.05)
        assert reading.bit_time_s.value * 230400 == pytest.approx(1, abs=1e-3)
        assert reading.levels.noise_v == pytest.approx(1.65 / 10**0.6, rel=0.2)


def test_edges_and_characters_of_the_careful_path_belong_together(rng: np.random.Generator) -> None:
    """Edges alternate in time order; each character's first edge is its start, its confidence is told."""
    trace, sent = noisy_record(50, 6.0, rng)
    reading = read_line(trace, baud=230400, frame=F8N1)
    characters, edges = reading.characters, reading.edges
    assert characters.values.tolist() == sent
    assert (np.diff(edges.times_s) > 0).all()
    assert (edges.rising[1:] != edges.rising[:-1]).all()
    np.testing.assert_allclose(edges.times_s[characters.first_edge], characters.start_s)
    assert (characters.last_edge > characters.first_edge).all()
    assert (characters.end_s > characters.start_s).all()
    assert characters.confidence is not None
    assert (characters.confidence > 2).all()


@pytest.mark.parametrize("frame", ["7E1", "8O2", "9N1"])
def test_other_formats_and_idle_low_are_read_in_noise(frame: str, rng: np.random.Generator) -> None:
    """Formats are those given; the idle level is the one under which frames explain more."""
    fmt = FrameFormat.parse(frame)
    for idle_high in (True, False):
        wire = Wire(noise_v=0.8, idle_high=idle_high, interval_s=80e-9, range_v=14)
        sent = rng.integers(0, 1 << fmt.data_bits, 30).tolist()
        reading = read_line(
            trace_of(sent, 230400, fmt, wire, gaps_bits=[0, 2], rng=rng), baud=230400, frame=fmt
        )
        assert reading.characters.values.tolist() == sent
        assert not reading.characters.errors.any()
        assert reading.idle_high is idle_high


def test_noise_alone_is_not_decoded(rng: np.random.Generator) -> None:
    """White, brown and humming records have no characters when nothing is given (a trap of the first
    prototype).
    """
    white = rng.normal(0, 12, 60_000)
    brown = np.cumsum(rng.normal(0, 1, 60_000))
    brown *= 60 / np.abs(brown).max()
    hum = 45 * np.sin(np.arange(400_000) / 20_000) + rng.normal(0, 2, 400_000)
    for record in (white, brown, hum):
        codes = np.clip(np.rint(record), -128, 127).astype(np.int8)
        assert len(read_line(Trace(codes, 0.03, 1.0, 20e-9, 0.0)).characters) == 0
    for record in (white, hum):
        codes = np.clip(np.rint(record), -128, 127).astype(np.int8)
        assert len(read_line(Trace(codes, 0.03, 1.0, 20e-9, 0.0), baud=230400, frame=F8N1).characters) == 0


@pytest.mark.parametrize("blind", [True, False])
@pytest.mark.parametrize(("name", "make"), LINES, ids=[name for name, _ in LINES])
def test_lines_as_benches_have_them_give_the_right_characters(
    name: str, make: Made, blind: bool, rng: np.random.Generator
) -> None:
    """Ringing, clipping, glitches, wander, crosstalk, few samples, other levels: what was sent is read."""
    trace = make(rng)
    reading = read_line(trace) if blind else read_line(trace, baud=230400, frame=F8N1)
    assert reading.characters.values.tolist() == TEXT, name
    assert not reading.characters.errors.any()


def test_glitches_are_counted_and_noise_or_ringing_is_not_called_so(rng: np.random.Generator) -> None:
    """Twelve short pulses (across an edge one makes two) are glitches; 12.5 dB of noise and 70 % of ringing
    are none.
    """
    made = dict(LINES)
    assert 10 <= read_line(made["12 glitches"](rng), baud=230400, frame=F8N1).edges.glitches <= 16
    for name in ("3.3 V, clean", "ringing 70 %", "ringing 70 %, slow", "crosstalk 12 %"):
        assert read_line(made[name](rng), baud=230400, frame=F8N1).edges.glitches == 0, name
    noisy = trace_of(TEXT, wire=Wire(noise_v=1.65 / 10 ** (12.6 / 20)), rng=rng)
    reading = read_line(noisy, baud=230400, frame=F8N1)
    assert reading.notes["path"] == "fast"
    assert reading.edges.glitches == 0


@pytest.mark.parametrize("blind", [True, False])
def test_a_break_longer_than_all_rest_is_a_break(blind: bool) -> None:
    """Forty bit times of space between two words: idle stays high, the words are whole, one break."""
    first, second = trace_of(list(b"Low water")), trace_of(list(b"at noon"))
    space = np.full(round(40 * 217.0139), -42, np.int8)
    codes = np.concatenate([first.codes, space, second.codes])
    trace = Trace(codes, first.volts_per_code, first.volts_at_code_zero, 20e-9, 0.0)
    reading = read_line(trace) if blind else read_line(trace, baud=230400, frame=F8N1)
    assert reading.idle_high is True
    assert reading.characters.values.tolist() == [*b"Low water", 0, *b"at noon"]
    assert reading.characters.errors.tolist() == [0] * 9 + [BREAK] + [0] * 7
    assert reading.characters.end_s[9] - reading.characters.start_s[9] == pytest.approx(40 / 230400, rel=1e-3)


def test_spikes_from_another_line_are_no_characters(rng: np.random.Generator) -> None:
    """Capacitive crosstalk on a resting line: pulses that die out, whatever is given."""
    other = trace_of(TEXT, wire=Wire()).volts()
    spikes = np.convolve(np.diff(other, prepend=other[0]), np.exp(-np.arange(60) / 12), "full")[: len(other)]
    for given in ({}, {"baud": 230400.0, "frame": F8N1}):
        line = Trace(3.3 + 0.3 * spikes + rng.normal(0, 0.03, len(other)), 1.0, 0.0, 20e-9, 0.0)
        reading = read_line(line, **given)  # type: ignore[arg-type]
        assert len(reading.characters) == 0
        assert reading.flat_v == pytest.approx(3.3, abs=0.05)


def test_a_steady_line_has_no_wander_and_a_wandering_one_its_own(rng: np.random.Generator) -> None:
    """The extent of a 2 V sine is 4 V from peak to peak; noise and spikes have none."""
    trace = trace_of(TEXT, wire=Wire(noise_v=0.03, range_v=16), gaps_bits=[0, 3.7], rng=rng)
    steady = without_wander(trace.codes, 0.5)
    assert steady is not None
    assert steady.extent < 0.1 * steady.swing
    volts = trace.volts() + 2 * np.sin(2 * np.pi * np.arange(len(trace)) * 20e-9 / 1e-3)
    moved = without_wander(volts, 0.03)
    assert moved is not None
    assert moved.extent == pytest.approx(4, abs=0.3)
    assert without_wander(rng.normal(0, 5, 5000), 5.0) is None
    assert without_wander(np.zeros(5000), 0.1) is None
    assert without_wander(np.zeros(3), 0.1) is None


def test_two_levels_are_told_from_one_by_averages_over_half_a_bit(rng: np.random.Generator) -> None:
    """Noise eight times the swing of one level is one level; a square wave deep in noise is two."""
    assert mixture(rng.normal(0, 10, 100_000), 100, 10) is None
    square = np.where(np.arange(100_000) // 500 % 2, 8.0, -8.0)
    found = mixture(square + rng.normal(0, 16, len(square)), 100, 16)
    assert found is not None
    np.testing.assert_allclose(found, (-8, 8), atol=0.5)
    assert mixture(np.zeros(5), 100, 1) is None


def test_a_noisy_record_is_read_in_stretches_and_not_copied_as_sums(rng: np.random.Generator) -> None:
    """Sums of the whole record would take eight bytes a sample; four million samples take less than one."""
    line, sent = long_record(4_000_000, 0.05)
    noise = np.rint(rng.normal(0, 40, 1 << 20))
    codes = np.clip(0.4 * line.codes + np.resize(noise, len(line)), -128, 127).astype(np.int8)
    tracemalloc.start()
    try:
        reading = read_line(replace(line, codes=codes), baud=230400.0, frame=FrameFormat(8, "N", 1))
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert reading.notes["path"] == "careful"
    assert reading.characters.values.tolist() == sent.tolist()
    assert most < len(line)


def test_averages_are_the_same_wherever_a_piece_ends(rng: np.random.Generator) -> None:
    """Three pieces and a bit, against numpy's convolution with a box."""
    codes = rng.integers(-128, 128, 3 * (1 << 17) + 5).astype(np.int8)
    expected = np.convolve(codes.astype(np.float64), np.full(24, 1 / 24), "valid")[1:]
    np.testing.assert_allclose(averaged(codes, 24), expected, atol=1e-5)
    assert len(averaged(codes[:24], 24)) == 0


def test_the_best_chain_of_frames_is_found_and_placed() -> None:
    """Three clean frames, the second straight after the first: starts to a hundredth of a bit."""
    trace = trace_of([0x55, 0x00, 0xC3], wire=Wire(), gaps_bits=[0, 4.4])
    sums = Sums(trace.codes, 0.0, True)
    bit = 1 / 230400 / 20e-9
    starts, gain = frame_starts(sums, bit, 9)
    assert gain > 0
    placed, score = timed_starts(sums, starts, bit, 9)
    truth = -trace.start_s / 20e-9 + np.array([0, 10, 24.4]) * bit
    np.testing.assert_allclose(placed, truth, atol=0.03 * bit)
    assert (score > 0).all()
    assert len(frame_starts(sums, len(trace.codes), 9)[0]) == 0
