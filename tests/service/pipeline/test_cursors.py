"""Nine bit times and ten, and cursor readings by name."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.pipeline.cursors import INTERVALS, NoSuchInterval, cursor, readings_of
from service.pipeline.evidence import ReadShot
from service.pipeline.readings import FrameFormat
from tests.service.pipeline.builders import (
    BAUD,
    LOOKS,
    T,
    echo_of,
    line,
    shot,
    train,
)
from tests.service.pipeline.judging import FRAME, KNOWN, document_of, good, measurement


def test_one_bit_and_a_whole_character_by_cursor_belong_to_one_rate() -> None:
    """A 4.4 us reading of one bit and a 39.2 us reading of a character both belong to 230,400 baud.

    Common practice, no source. The second is NINE bit times (39.06 us), not ten (43.40 us): read as ten it
    lands at 255,102 Bd, next to the usual 256,000.
    """
    document = good(b"T")  # 0x54: bit 7 is 0, so the last edge opens the stop bit
    one = cursor(document, "one-bit", "to_target", 0)
    last = cursor(document, "start-to-last-edge", "to_target", 0)
    whole = cursor(document, "start-to-stop-end", "to_target", 0)
    assert one.value == pytest.approx(4.4e-6, rel=0.02)
    assert last.value == pytest.approx(39.2e-6, rel=0.01)
    assert last.bits == pytest.approx(9)
    assert whole.bits == pytest.approx(10)
    assert pytest.approx(BAUD, rel=0.005) == 9 / 39.2e-6
    assert pytest.approx(256_000, rel=0.005) == 10 / 39.2e-6
    assert "LAST EDGE" in last.words
    assert "9 bit times" in last.words
    assert "END OF THE STOP BIT" in whole.words


@pytest.mark.parametrize(
    ("baud", "nine_us", "ten_us"),
    [(300, 30000, 33333.333), (9600, 937.5, 1041.667), (19200, 468.75, 520.833), (57600, 156.25, 173.611),
     (115200, 78.125, 86.806), (230400, 39.0625, 43.4028), (921600, 9.765625, 10.8507)],
)  # fmt: skip
def test_the_frame_is_stated_to_its_last_edge_and_to_its_end(
    baud: int, nine_us: float, ten_us: float
) -> None:
    """The table of exact times, 8N1 (standards notes 4.2), by name in the measurements and by cursor."""
    looks = replace(LOOKS, bit_s=1 / baud)
    sent = train(b"U", step_s=10 / baud)
    document = document_of(
        shot(sent, echo_of(sent, bit_s=1 / baud), to=looks), expectation=replace(KNOWN, baud=baud)
    )
    edge = measurement(document, "to_target.start_edge_to_last_edge")
    end = measurement(document, "to_target.start_edge_to_stop_end")
    assert edge["value"] == pytest.approx(1e-6 * nine_us, rel=1e-6)
    assert end["value"] == pytest.approx(1e-6 * ten_us, rel=6e-6)
    assert "9 bit times" in edge["definition"]
    assert "10 bit times" in end["definition"]


@pytest.mark.parametrize(
    ("value", "bits"), [(0x80, 8), (0xC0, 7), (0xFF, 1), (0x00, 9), (0x55, 9), (0x7F, 9)]
)
def test_the_last_edge_is_at_nine_bits_only_if_bit_seven_is_zero(value: int, bits: int) -> None:
    """0x80 8 T, 0xC0 7 T, 0xFF 1 T (frame rule of ISO 1177): the reading says which it was."""
    document = good(bytes([value]))
    assert cursor(document, "start-to-last-edge", "to_target", 0).bits == pytest.approx(bits)
    assert f"{bits} bit times" in measurement(document, "to_target.start_edge_to_last_edge")["definition"]
    assert cursor(document, "start-to-stop-end", "to_target", 0).bits == pytest.approx(10)


def test_of_several_characters_one_whose_last_edge_opens_the_stop_bit_is_shown() -> None:
    """0xFF would show one bit time, 0x41 behind it shows nine."""
    found = measurement(good(b"\xff\x41"), "to_target.start_edge_to_last_edge")
    assert "character 1 (0x41 'A')" in found["definition"]
    assert found["value"] == pytest.approx(9 * T)


@pytest.mark.parametrize(
    ("text", "bits"), [("7E1", 10), ("8E1", 11), ("8N2", 11), ("5N1.5", 7.5), ("9N1", 11)]
)
def test_the_end_of_the_stop_bit_follows_the_format(text: str, bits: float) -> None:
    """Start, data, parity and stop bits are counted as stated."""
    frame = FrameFormat.parse(text)
    sent = train([0x11], step_s=20 * T)
    both = ReadShot(
        line(sent, frame=frame, span=(-1e-4, 4e-3)),
        line(echo_of(sent, bits=bits), frame=frame, span=(-1e-4, 4e-3)),
    )
    document = document_of(both, expectation=replace(KNOWN, frame=frame))
    assert measurement(document, "to_target.start_edge_to_stop_end")["value"] == pytest.approx(bits * T)
    assert f"{bits:g} bit times" in measurement(document, "to_target.start_edge_to_stop_end")["definition"]
    assert document["echoes"][0]["stop_end_to_start_s"] == pytest.approx(6.6e-6)


def test_the_cursors_of_an_echo_stand_at_the_end_of_one_line_and_the_start_of_the_other() -> None:
    """From either partner the same interval, in the right shot."""
    first, second = train(b"ab", step_s=3 * FRAME), train(b"cd", step_s=3 * FRAME)
    document = document_of(shot(first, echo_of(first)), shot(second, echo_of(second, 9e-6)))
    for role in ("to_target", "from_target"):
        found = cursor(document, "stop-end-to-echo", role, 3)
        assert found.value == pytest.approx(9e-6)
        assert found.shot == 1
        assert found.from_at == pytest.approx(4 * FRAME)
        assert found.bits is None
        assert found.u > 0


def test_high_minus_low_is_a_cursor_reading_in_volts() -> None:
    """Two levels, one number."""
    found = cursor(good(), "high-minus-low", "from_target", 0)
    assert found.value == pytest.approx(3.3)
    assert found.unit == "V"


def test_all_readings_of_a_character_can_be_had_at_once() -> None:
    """Every interval by its name; what cannot be measured is left out."""
    assert [r.name for r in readings_of(good(), "to_target", 2)] == [i.name for i in INTERVALS]
    sent = train(b"ab")
    lone = document_of(shot(sent, echo_of(sent)[:1]))
    assert "stop-end-to-echo" not in [r.name for r in readings_of(lone, "to_target", 1)]


@pytest.mark.parametrize(
    ("name", "role", "index", "says"),
    [("two-bits", "to_target", 0, "no interval 'two-bits'"), ("one-bit", "third", 0, "no line 'third'"),
     ("one-bit", "to_target", 6, "has 6 characters"), ("one-bit", "to_target", -1, "has 6 characters")],
)  # fmt: skip
def test_a_cursor_that_cannot_be_placed_says_why(name: str, role: str, index: int, says: str) -> None:
    """The names and numbers that there are stand in the message."""
    with pytest.raises(NoSuchInterval, match=says):
        cursor(good(), name, role, index)


def test_without_an_echo_there_is_no_interval_to_it() -> None:
    """Missing partners, bit times and levels are named."""
    sent = train(b"ab")
    silent = document_of(shot(sent, []))
    with pytest.raises(NoSuchInterval, match="no partner"):
        cursor(silent, "stop-end-to-echo", "to_target", 0)
    with pytest.raises(NoSuchInterval, match="has 0 characters"):
        cursor(silent, "high-minus-low", "from_target", 0)
