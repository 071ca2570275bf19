"""The signal side as a whole: a trace goes in, characters and times come out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.pipeline.bit_time import pooled_bit_time
from service.pipeline.reading import read_line
from service.pipeline.readings import CUT, FrameFormat, LineReading
from service.pipeline.trace import Trace
from tests.reference import Wire, gaussian, naive_decode, ramp, trace_of

F8N1 = FrameFormat.parse("8N1")
ALL_FORMATS = [FrameFormat(d, p, s) for d in range(5, 10) for p in "NEOMS" for s in (1, 1.5, 2)]
TIDE = list(b"Tide 7")


def values(reading: LineReading) -> list[int]:
    return [int(value) for value in reading.characters.values]


@pytest.mark.parametrize("idle_high", [True, False])
@pytest.mark.parametrize("frame", ALL_FORMATS, ids=str)
def test_every_format_is_read_with_nominal_settings(
    frame: FrameFormat, idle_high: bool, rng: np.random.Generator
) -> None:
    """5-9 data bits, every parity, every stop, both idle levels: the sent characters, no faults, the bit
    time.
    """
    sent = rng.integers(0, 1 << frame.data_bits, 12).tolist()
    trace = trace_of(
        sent, 230400, frame, Wire(idle_high=idle_high, noise_v=0.05), gaps_bits=[0, 2.3, 0], rng=rng
    )
    reading = read_line(trace, baud=230400, frame=frame)
    assert values(reading) == sent
    assert not reading.characters.errors.any()
    assert reading.idle_high is idle_high
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value * 230400 == pytest.approx(1, abs=2e-4)


@pytest.mark.parametrize(
    "frame", [f for f in ALL_FORMATS if f.stop_bits != 1.5 and f.parity in "NEO"], ids=str
)
def test_every_format_is_among_those_found_blind(frame: FrameFormat, rng: np.random.Generator) -> None:
    """Nothing given: bit time and idle level right, the true format among the survivors and, unless it looks
    exactly like another, chosen."""
    sent = rng.integers(0, 1 << frame.data_bits, 40).tolist()
    trace = trace_of(sent, 115200, frame, Wire(noise_v=0.05, interval_s=100e-9), gaps_bits=[0, 0, 3], rng=rng)
    reading = read_line(trace)
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value * 115200 == pytest.approx(1, abs=1e-3)
    assert frame in [item.frame for item in reading.possible]
    assert sum(item.odds for item in reading.possible) == pytest.approx(1, abs=1e-3)
    assert reading.frame == frame
    assert values(reading) == sent


def test_the_most_constrained_parity_wins_from_four_characters_on() -> None:
    """Contract of the result document: 7E1 before 8N1 when at least four characters with varying parity bits
    obey it.
    """
    text = list(b"Harbour Street")
    assert read_line(trace_of(text, frame=FrameFormat.parse("7E1"))).frame == FrameFormat.parse("7E1")
    assert read_line(trace_of(text)).frame == F8N1
    few = read_line(trace_of(text[:3], frame=FrameFormat.parse("7E1")))
    assert few.frame == F8N1
    assert FrameFormat.parse("7E1") in [item.frame for item in few.possible]


def test_ascii_text_is_not_taken_for_space_parity() -> None:
    """A top bit that is always 0 is the alphabet's, not the format's: 8N1 is chosen, 7S1 only listed."""
    reading = read_line(trace_of(list(b"Low water at noon")))
    assert reading.frame == F8N1
    assert "7S1" in [str(item.frame) for item in reading.possible]


def test_pauses_leave_eight_n_two_possible() -> None:
    """8N2 equals 8N1 with gaps: both are listed, 8N1 is chosen; back to back 8N2 is excluded."""
    reading = read_line(trace_of([0x41, 0xC3, 0x96, 0x5D, 0x20], gaps_bits=[5, 9, 7.3]))
    assert reading.frame == F8N1
    assert "8N2" in [str(item.frame) for item in reading.possible]
    reading = read_line(trace_of([0x41, 0xC3, 0x96, 0x5D, 0x20]))
    assert "8N2" not in [str(item.frame) for item in reading.possible]


@pytest.mark.parametrize("drift", [-0.045, -0.03, 0.03, 0.045])
def test_a_slow_or_fast_sender_is_framed_rightly_and_its_true_rate_measured(drift: float) -> None:
    """Nominal settings frame the line, the measured bit time says what the sender really does."""
    sent = list(range(256))
    reading = read_line(trace_of(sent, 230400 / (1 + drift)), baud=230400, frame=F8N1)
    assert values(reading) == sent
    assert not reading.characters.errors.any()
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value * 230400 == pytest.approx(1 + drift, abs=1e-4)


def test_a_wrong_nominal_rate_is_followed_but_contradicted() -> None:
    """Given settings decide the characters; the better explanation stands in the notes."""
    reading = read_line(trace_of(list(b"Harbour Street"), 250000), baud=230400, frame=F8N1)
    assert reading.notes["nominal_mismatch"]["baud"] == pytest.approx(250000, rel=1e-3)
    assert reading.characters.errors.any()


def test_a_wrong_nominal_format_is_followed_but_contradicted() -> None:
    """8N1 read as 8E1: parity faults, and the note names what would fit."""
    reading = read_line(trace_of(list(b"Harbour Street")), baud=230400, frame=FrameFormat.parse("8E1"))
    assert reading.characters.errors.any()
    assert reading.notes["nominal_mismatch"]["frame"] == "8N1"


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int16, np.uint16, np.float32, np.float64])
def test_every_type_of_codes_is_read(kind: Any, rng: np.random.Generator) -> None:
    """Raw codes go in as they were delivered."""
    wire = Wire(noise_v=0.05, dtype=kind)
    assert values(read_line(trace_of(TIDE, wire=wire, rng=rng), baud=230400, frame=F8N1)) == TIDE


def test_arrays_that_are_not_plain_are_read_the_same() -> None:
    """Non-contiguous, read-only and byte-swapped codes."""
    plain = trace_of(TIDE)
    stepped = np.repeat(plain.codes, 2)[::2]
    locked = plain.codes.copy()
    locked.flags.writeable = False
    swapped = plain.codes.astype(np.dtype(np.int16).newbyteorder())
    for codes in (stepped, locked, swapped, plain.codes[:-3], plain.codes[5:]):
        reading = read_line(
            Trace(codes, plain.volts_per_code, plain.volts_at_code_zero, plain.interval_s, 0.0)
        )
        assert values(reading) == TIDE


def test_wrong_arrays_are_refused_by_the_trace() -> None:
    """Two dimensions, words, and numbers that are none."""
    for codes in (np.zeros((2, 5), np.int8), np.array(["a"]), np.array([0.0, np.nan])):
        with pytest.raises(ValueError, match=r"trace|finite"):
            Trace(codes, 1.0, 0.0, 1e-9, 0.0)


@pytest.mark.parametrize("given", [True, False])
def test_lines_without_characters_have_none(given: bool, rng: np.random.Generator) -> None:
    """Empty, one sample, flat, noise only: no levels, no characters, no error; the level is told in volts."""
    how = {"baud": 230400.0, "frame": F8N1} if given else {}
    for codes in (
        np.zeros(0, np.int8),
        np.full(1, 40, np.int8),
        np.full(9000, 40, np.int8),
        np.rint(rng.normal(40, 2, 9000)).astype(np.int8),
        np.rint(rng.normal(0, 30, 90_000)).clip(-128, 127).astype(np.int8),
    ):
        reading = read_line(Trace(codes, 0.05, 1.0, 2e-8, 0.0), **how)  # type: ignore[arg-type]
        assert reading.levels is None
        assert len(reading.characters) == 0
        assert reading.bit_time_s is None
        if len(codes):
            assert reading.flat_v == pytest.approx(float(np.mean(codes)) * 0.05 + 1.0, abs=0.3)


def test_a_single_edge_is_no_character() -> None:
    """A step has two levels and one edge, and nothing that could be framed without being cut."""
    codes = np.repeat(np.array([40, -40], np.int8), 4000)
    reading = read_line(Trace(codes, 0.05, 1.0, 2e-8, 0.0), baud=230400, frame=F8N1)
    assert reading.levels is not None
    assert len(reading.edges) == 1
    assert all(errors for errors in reading.characters.errors.tolist())
    read_line(Trace(codes, 0.05, 1.0, 2e-8, 0.0))


def test_a_record_cut_at_both_ends_keeps_what_is_whole(rng: np.random.Generator) -> None:
    """The first and last character are marked, all in between are right, for cuts anywhere."""
    sent = rng.integers(0, 256, 30).tolist()
    whole = trace_of(sent, lead_bits=0, tail_bits=0)
    for cut in range(40, 2000, 83):
        codes = whole.codes[cut : len(whole.codes) - cut]
        reading = read_line(
            Trace(codes, whole.volts_per_code, whole.volts_at_code_zero, 2e-8, 0.0), baud=230400, frame=F8N1
        )
        good = reading.characters.values[reading.characters.errors == 0].tolist()
        assert len(good) >= 27
        assert any(good == sent[n : n + len(good)] for n in range(4)), cut
        assert (reading.characters.errors[[0, -1]] & CUT).any()


def test_an_independent_receiver_reads_the_same(rng: np.random.Generator) -> None:
    """A bit-by-bit walk over the samples, sharing no code with ours, gives the same characters."""
    for frame in ("8N1", "7E1", "9O2", "5N1.5"):
        fmt = FrameFormat.parse(frame)
        sent = rng.integers(0, 1 << fmt.data_bits, 40).tolist()
        trace = trace_of(
            sent, 230400, fmt, Wire(noise_v=0.1, shape=gaussian(100e-9)), gaps_bits=[0, 1.7], rng=rng
        )
        reading = read_line(trace, baud=230400, frame=fmt)
        assert values(reading) == naive_decode(trace, 230400, fmt, 1.65) == sent


def test_the_times_of_a_whole_character_and_of_one_bit_belong_to_one_rate() -> None:
    """Common practice, no source: 4.4 us read for one bit and 39.2 us for a character are both 230,400 baud,
    for the second is nine bits (start edge to last edge), not ten (standards: 39.0625 and 43.4028 us)."""
    reading = read_line(trace_of([0x01 | 0x40]), baud=230400, frame=F8N1)
    characters, times = reading.characters, reading.edges.times_s
    start, last = times[characters.first_edge[0]], times[characters.last_edge[0]]
    assert last - start == pytest.approx(39.0625e-6, abs=3e-9)
    assert characters.end_s[0] - characters.start_s[0] == pytest.approx(43.4028e-6, abs=5e-9)


# baud, bit time in us, start edge to the edge before the stop element, frame (exact arithmetic, standards
# 4.2)
EXACT_TIMES = [
    (300, 3333.333, 30000, 33333.333),
    (1200, 833.333, 7500, 8333.333),
    (2400, 416.667, 3750, 4166.667),
    (9600, 104.1667, 937.5, 1041.667),
    (19200, 52.0833, 468.75, 520.833),
    (38400, 26.0417, 234.375, 260.417),
    (57600, 17.3611, 156.25, 173.611),
    (115200, 8.68056, 78.125, 86.806),
    (230400, 4.34028, 39.0625, 43.4028),
    (460800, 2.17014, 19.53125, 21.7014),
    (921600, 1.08507, 9.765625, 10.8507),
]


@pytest.mark.parametrize(("baud", "bit_us", "nine_us", "ten_us"), EXACT_TIMES)
def test_the_table_of_rates_and_times_is_measured(
    baud: int, bit_us: float, nine_us: float, ten_us: float
) -> None:
    """Every usual rate, found blind from two characters at 40 samples a bit, has the tabled times."""
    interval = 1 / baud / 40
    wire = Wire(interval_s=interval, shape=gaussian(3 * interval), reach_s=40 * interval)
    reading = read_line(trace_of([0x55, 0x00, 0x41, 0x36], baud, wire=wire, gaps_bits=2))
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value == pytest.approx(bit_us * 1e-6, rel=2e-4)
    characters, times = reading.characters, reading.edges.times_s
    assert times[characters.last_edge[1]] - characters.start_s[1] == pytest.approx(nine_us * 1e-6, rel=5e-4)
    assert characters.end_s[1] - characters.start_s[1] == pytest.approx(ten_us * 1e-6, rel=5e-4)


def test_shots_of_one_line_are_pooled() -> None:
    """Two equal shots halve the variance; shots that disagree widen the answer; none gives none."""
    wire = Wire(shape=ramp(100e-9))
    reading = read_line(trace_of(TIDE, wire=wire), baud=230400, frame=F8N1)
    one, two = pooled_bit_time([reading]), pooled_bit_time([reading, reading])
    assert one is not None
    assert two is not None
    assert two.value == pytest.approx(one.value)
    assert two.u_record == pytest.approx(one.u_record / 2**0.5)
    other = read_line(trace_of(TIDE, 231000, wire=wire), baud=230400, frame=F8N1)
    apart = pooled_bit_time([reading, other])
    assert apart is not None
    assert apart.u_record > 10 * two.u_record
    assert pooled_bit_time([]) is None


def read_back(
    sent: list[int], frame: FrameFormat, baud: float, gaps: list[float], samples: float, idle_high: bool
) -> None:
    """Send and read; anything else than what was sent fails."""
    sent = [value & ((1 << frame.data_bits) - 1) for value in sent]
    interval = 1 / baud / samples
    wire = Wire(
        idle_high=idle_high, interval_s=interval, shape=gaussian(1.5 * interval), reach_s=20 * interval
    )
    reading = read_line(trace_of(sent, baud, frame, wire, gaps_bits=gaps), baud=baud, frame=frame)
    assert values(reading) == sent
    assert not reading.characters.errors.any()


ANYTHING = given(
    st.lists(st.integers(0, 511), min_size=1, max_size=12),
    st.sampled_from(ALL_FORMATS),
    st.floats(300, 3e6),
    st.lists(st.floats(0, 30), min_size=1, max_size=5),
    st.floats(6, 60),
    st.booleans(),
)


@ANYTHING
@settings(max_examples=60, deadline=None)
def test_any_bytes_any_format_any_rate_any_gap_come_back(
    sent: list[int], frame: FrameFormat, baud: float, gaps: list[float], samples: float, idle_high: bool
) -> None:
    """Hypothesis: what was sent is read, whatever it is."""
    read_back(sent, frame, baud, gaps, samples, idle_high)


@pytest.mark.soak
@ANYTHING
@settings(max_examples=5000, deadline=None)
def test_any_of_five_thousand_lines_comes_back(
    sent: list[int], frame: FrameFormat, baud: float, gaps: list[float], samples: float, idle_high: bool
) -> None:
    """The same with many more examples."""
    read_back(sent, frame, baud, gaps, samples, idle_high)
