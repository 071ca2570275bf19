"""Framing: formats, faults, cuts, and the published arithmetic of receivers."""

from __future__ import annotations

import numpy as np
import pytest

from service.pipeline.characters import UNKNOWN, frame_characters
from service.pipeline.edges import Span, without_glitches
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY, Characters, Edges, FrameFormat
from tests.reference import boundaries

F8N1 = FrameFormat.parse("8N1")


def framed(
    flips: list[float],
    bit: float = 1.0,
    frame: FrameFormat = F8N1,
    idle_high: bool = True,
    end: float | None = None,
) -> Characters:
    """Characters of ideal edges, record from -20 to 20 bit times after the last edge."""
    rising = (np.arange(len(flips)) % 2 == 1) == idle_high
    span = Span(-20.0, flips[-1] + 20 if end is None else end)
    times = np.array(flips)
    inside = times <= span.end_s
    return frame_characters(Edges(times[inside], rising[inside]), bit, frame, idle_high, span)[0]


# Frame bits as sent, start first (rule of ISO 1177 / ITU-T V.4: least significant first), and edges incl.
# start
FRAME_BITS = [
    (0x41, "0100000101", 6, 0, 1),
    (0x43, "0110000101", 6, 1, 0),
    (0x55, "0101010101", 10, 0, 1),
    (0xAA, "0010101011", 8, 0, 1),
    (0x65, "0101001101", 8, 0, 1),
    (0x0D, "0101100001", 6, 1, 0),
    (0x0A, "0010100001", 6, 0, 1),
    (0x00, "0000000001", 2, 0, 1),
    (0xFF, "0111111111", 2, 0, 1),
]


@pytest.mark.parametrize(("value", "bits", "edges", "even", "odd"), FRAME_BITS)
def test_the_frame_bits_of_the_standard_are_read(
    value: int, bits: str, edges: int, even: int, odd: int
) -> None:
    """Bit rows written out by hand from the standard's rule give their character back, with parity either
    way.
    """
    flips = [float(n) for n, (a, b) in enumerate(zip("1" + bits, bits, strict=False)) if a != b]
    assert len(flips) == edges
    assert framed(flips).values.tolist() == [value]
    for parity, bit in (("E", even), ("O", odd)):
        row = f"{bits[:9]}{bit}1"
        flips = [float(n) for n, (a, b) in enumerate(zip("1" + row, row, strict=False)) if a != b]
        found = framed(flips, frame=FrameFormat(8, parity, 1))
        assert (found.values.tolist(), found.errors.tolist()) == ([value], [0])
        wrong = framed(flips, frame=FrameFormat(8, "O" if parity == "E" else "E", 1))
        assert (wrong.values.tolist(), wrong.errors.tolist()) == ([value], [PARITY])


def test_times_of_a_character_are_its_start_edge_and_the_end_of_its_stop_element() -> None:
    """start_s is the start edge, end_s ten bit times later for 8N1, eleven for 8N2 and 8E1."""
    for frame, bits in (("8N1", 10), ("8N2", 11), ("8E1", 11), ("5N1.5", 7.5)):
        fmt = FrameFormat.parse(frame)
        flips, starts = boundaries([0x11, 0x0C], 1.0, fmt, gaps_s=3.0)
        found = framed(flips, frame=fmt)
        np.testing.assert_allclose(found.start_s, starts)
        np.testing.assert_allclose(found.end_s - found.start_s, bits)


def test_the_last_edge_of_a_frame_depends_on_its_last_data_bits() -> None:
    """Nine bit times only if bit 7 is 0: 0x80 eight, 0xC0 seven, 0xFF one (arithmetic of the frame)."""
    for value, last in ((0x00, 9), (0x80, 8), (0xC0, 7), (0xFF, 1)):
        flips, _ = boundaries([value], 1.0)
        assert flips[framed(flips).last_edge[0]] == last


@pytest.mark.parametrize("rate", [1 - 0.0495, 1 - 0.04, 1.0, 1.04, 1.0495])
def test_a_clock_within_five_percent_is_framed_without_following_it(rate: float) -> None:
    """Centre sampling stands a mismatch of 0.5/9.5 = 5.26 % (published receiver arithmetic), on average of
    both signs.
    """
    values = list(range(256))
    flips, _ = boundaries(values, rate)
    found = framed(flips)
    assert found.values.tolist() == values
    assert not found.errors.any()


def test_swept_in_rate_until_it_fails_the_receiver_stands_five_and_a_quarter_percent() -> None:
    """First failures on both sides, with 0x00 and 0xFF back to back, average to 0.5/9.5 within 0.1 % of rate.

    Source: published application answers for UART clock accuracy, centre sampling: +-5.26 % total. Exactly it
    is 0.5/9 = 5.56 % slow (edge before the stop element) and 0.5/10 = 5.0 % fast (edge after it).
    """
    values = [0x00, 0xFF, 0x80, 0x7F] * 4

    def fails(rate: float) -> bool:
        found = framed(boundaries(values, rate)[0])
        return found.values.tolist() != values or bool(found.errors.any())

    steps = np.arange(0, 0.08, 2e-4)
    slow = next(s for s in steps if fails(1 + s))
    fast = next(s for s in steps if fails(1 - s))
    assert slow == pytest.approx(0.0556, abs=5e-4)
    assert fast == pytest.approx(0.05, abs=5e-4)
    assert 0.5 * (slow + fast) == pytest.approx(0.5 / 9.5, abs=1e-3)


def test_a_start_edge_known_to_a_sixteenth_narrows_it_to_four_point_six() -> None:
    """(7/16)/9.5 = 4.60 %: published for receivers with a start uncertainty of 1/16 bit (same application
    answers).

    Exactly (7/16)/9 slow and (7/16)/10 fast, the start seen a sixteenth early and late.
    """
    values = [0x00, 0xFF, 0x80, 0x7F] * 4

    def fails(rate: float, shift: float) -> bool:
        flips, starts = boundaries(values, rate)
        moved = set(
            starts[::2]
        )  # only every other one: the sample before the next edge must meet an honest edge
        found = framed([flip + (shift if flip in moved else 0.0) for flip in flips])
        return found.values.tolist() != values or bool(found.errors.any())

    steps = np.arange(0, 0.08, 2e-4)
    slow = next(s for s in steps if fails(1 + s, -1 / 16))
    fast = next(s for s in steps if fails(1 - s, 1 / 16))
    assert 0.5 * (slow + fast) == pytest.approx((7 / 16) / 9.5, abs=1e-3)


def test_a_missing_stop_element_is_a_framing_error() -> None:
    """A space where the stop element should be: the value stays, the fault is told."""
    found = framed([0.0, 1, 2, 10.0])
    assert found.values.tolist() == [0x01]
    assert found.errors.tolist() == [FRAMING]


def test_a_space_longer_than_a_frame_is_a_break_and_ends_when_the_line_returns() -> None:
    """ISO 1177: break is space beyond a whole frame; a character after it is read."""
    flips, _ = boundaries([0x41], 1.0, start_s=40.0)
    found = framed([0.0, 25.0, *flips])
    assert found.errors.tolist() == [BREAK, 0]
    assert found.values.tolist() == [0, 0x41]
    assert found.end_s[0] == 25.0


def test_a_record_that_ends_inside_a_character_leaves_it_cut() -> None:
    """The cut character has the fault and no invented value; the one before is whole."""
    flips, _ = boundaries([0x41, 0x55], 1.0)
    found = framed(flips, end=15.2)
    assert found.errors.tolist() == [0, CUT]
    assert found.values.tolist() == [0x41, UNKNOWN]


def test_a_record_that_begins_inside_a_character_leaves_it_cut() -> None:
    """The head is a cut character without a start edge, the following ones are right."""
    values = [0x5A, 0x33, 0x0F, 0x71, 0x96]
    flips, starts = boundaries(values, 1.0)
    times = np.array(flips)
    for begin in np.arange(1.3, 8.9, 0.7):
        inside = times > begin
        rising = (np.arange(len(times)) % 2 == 1)[inside]
        found, _ = frame_characters(Edges(times[inside], rising), 1.0, F8N1, True, Span(begin, 70.0))
        assert found.errors[0] == CUT, begin
        assert found.first_edge[0] == -1
        assert found.values[1:].tolist() == values[1:], begin
        np.testing.assert_allclose(found.start_s[1:], starts[1:])


def test_pulses_shorter_than_half_a_bit_are_taken_out() -> None:
    """A glitch in the idle line and one inside a bit change nothing but the count."""
    flips, _ = boundaries([0x41, 0x9C], 1.0)
    dirty = np.sort(np.array([*flips, -5.0, -4.8, 3.3, 3.5]))
    edges = Edges(dirty, np.arange(len(dirty)) % 2 == 1)
    clean = without_glitches(edges, 1.0)
    np.testing.assert_allclose(clean.times_s, flips)
    assert clean.glitches == 2


def test_no_edges_are_no_characters() -> None:
    """An empty line gives empty arrays of the right kinds."""
    found, frames = frame_characters(Edges(np.zeros(0), np.zeros(0, bool)), 1.0, F8N1, True, Span(0, 1))
    assert len(found) == 0
    assert found.values.dtype == np.int32
    assert len(frames.starts) == 0


def test_a_second_stop_bit_that_is_cut_short_is_a_framing_error() -> None:
    """8N1 characters back to back are not 8N2: each but the last lacks its second stop element."""
    flips, _ = boundaries([0x41, 0x42, 0x43], 1.0)
    found = framed(flips, frame=FrameFormat.parse("8N2"))
    assert found.values.tolist() == [0x41, 0x42, 0x43]
    assert found.errors.tolist() == [FRAMING, FRAMING, 0]
