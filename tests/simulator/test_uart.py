"""The UART model against ISO 1177 frames and published receiver arithmetic (table of standards, 4.1, 4.6)."""

from __future__ import annotations

import pytest

from simulator.frame import Frame
from simulator.plan import DriverPlan
from simulator.target.uart import Heard, Listener, Receiver, Transmitter
from simulator.wires.line import Step

DRIVER = DriverPlan(low_v=0.0, high_v=3.3, rise_s=1e-9, fall_s=1e-9)
PHASES = [number / 16 for number in range(16)]


def hear(
    text: bytes,
    frame: Frame,
    *,
    rate: float = 1.0,
    phase: float = 0.0,
    offset: float = 0.0,
    stop_level: int = 1,
) -> list[Heard]:
    """What a receiver with a bit of 1 s hears from a sender whose bits last 1 / rate."""
    sender = Transmitter(DRIVER, frame, 1.0 / rate, stop_level=stop_level)
    listener = Listener(1.65, 3.3)
    for value in text:
        listener.hear(sender.send(value, 5.0 + offset))
    return Receiver(listener, frame, 1.0, phase=phase).run(sender.free_at + 100)


def survives(frame: Frame, rate: float) -> bool:
    """Whether every phase of the sampling clock reads full-speed text without an error."""
    text = bytes([0x55, 0x00, 0xFF, 0x01, 0x80, 0xAA])
    wanted = [value & ((1 << frame.data_bits) - 1) for value in text]
    for phase in PHASES:
        heard = hear(text, frame, rate=rate, phase=phase, offset=0.013)
        if [one.value for one in heard] != wanted or any(one.framing_error for one in heard):
            return False
    return True


@pytest.mark.parametrize(
    ("value", "bits", "even", "odd", "edges"),
    [
        (0x41, "010000010", 0, 1, 6),
        (0x43, "011000010", 1, 0, 6),
        (0x55, "010101010", 0, 1, 10),
        (0xAA, "001010101", 0, 1, 8),
        (0x65, "010100110", 0, 1, 8),
        (0x0D, "010110000", 1, 0, 6),
        (0x0A, "001010000", 0, 1, 6),
        (0x00, "000000000", 0, 1, 2),
        (0xFF, "011111111", 0, 1, 2),
    ],
)
def test_frames_are_sent_bit_by_bit_as_published(
    value: int, bits: str, even: int, odd: int, edges: int
) -> None:
    """Table 4.1 [calc from ISO 1177]: start first, least significant data bit first; parity; edges."""
    assert "".join(str(bit) for bit in Frame().elements(value)) == bits
    assert Frame(8, "E").elements(value)[-1] == even
    assert Frame(8, "O").elements(value)[-1] == odd
    assert len(Transmitter(DRIVER, Frame(), 1.0).send(value, 0.0)) == edges


@pytest.mark.parametrize(
    ("baud", "nine_bits_us", "frame_us"),
    [
        (9600, 937.5, 1041.667),
        (115200, 78.125, 86.806),
        (230400, 39.0625, 43.4028),
        (921600, 9.765625, 10.8507),
    ],
)
def test_a_frame_lasts_as_long_as_the_rate_says(baud: float, nine_bits_us: float, frame_us: float) -> None:
    """Table 4.2 [calc]: start edge to stop-bit edge is nine bits, to the end of the stop bit ten."""
    sender = Transmitter(DRIVER, Frame(), 1.0 / baud)
    steps = sender.send(0x55, 0.0)
    assert 1e6 * (steps[-1].at - steps[0].at) == pytest.approx(nine_bits_us, abs=5e-4)
    assert 1e6 * sender.free_at == pytest.approx(frame_us, abs=5e-4)


@pytest.mark.parametrize(
    ("frame", "slow", "fast"),
    [
        ("5N1", 93.20, 106.67),
        ("6N1", 94.12, 105.79),
        ("7N1", 94.81, 105.11),
        ("8N1", 95.36, 104.58),
        ("8E1", 95.81, 104.14),
        ("9E1", 96.17, 103.78),
    ],
)
def test_the_receiver_tolerates_what_the_manual_promises(frame: str, slow: float, fast: float) -> None:
    """4.6, MCU manual A (ATmega8(A) USART chapter, 16x) [read]: Rslow and Rfast for D = data + parity bits.

    Every phase of the sampling clock must read up to there (0.02 % inside, the printed rounding).
    """
    parsed = Frame.parse(frame)
    assert survives(parsed, slow / 100 + 2e-4)
    assert survives(parsed, fast / 100 - 2e-4)


def test_the_receiver_fails_where_the_arithmetic_ends() -> None:
    """4.6: beyond Rfast some phase fails. On the slow side a majority of three ends at 144/152 = 94.74 %,
    half a tick-group further than Rslow (95.36 %), which asks for the first of the three [calc]."""
    assert not survives(Frame(), 1.0458 + 3e-3)
    assert survives(Frame(), 144 / 152 + 1e-3)
    assert not survives(Frame(), 144 / 152 - 3e-3)


def test_a_start_edge_is_seen_at_most_a_sixteenth_of_a_bit_late() -> None:
    """4.6: start uncertainty of 1/16 bit; a character is handed over at tick 10 of its stop element."""
    instants = [hear(b"A", Frame(), phase=phase)[0].at - 5.0 for phase in PHASES]
    assert min(instants) >= 9 + 9 / 16
    assert max(instants) <= 9 + 10 / 16 + 1e-9
    assert max(instants) - min(instants) > 0.8 / 16


def test_a_short_pulse_is_no_start() -> None:
    """The start element needs its own majority: a space of a quarter bit is a false start."""
    listener = Listener(1.65, 3.3)
    listener.hear([Step(5.0, 0.0, 1e-9), Step(5.25, 3.3, 1e-9)])
    listener.hear(Transmitter(DRIVER, Frame(), 1.0).send(0x41, 8.0))
    assert [one.value for one in Receiver(listener, Frame(), 1.0).run(100.0)] == [0x41]


def test_a_space_at_the_stop_element_is_a_framing_error() -> None:
    """ISO 1177: the stop element is mark; what follows is read again after the next mark."""
    heard = hear(b"AB", Frame(), stop_level=0)
    assert [(one.value, one.framing_error) for one in heard] == [(0x41, True), (0x42, True)]


def test_a_break_is_one_character_of_zeros_with_a_framing_error() -> None:
    """4.1: a receiver sees 0x00 with a framing error, once, however long the space is."""
    sender, listener = Transmitter(DRIVER, Frame(), 1.0), Listener(1.65, 3.3)
    listener.hear(sender.send_break(40, 5.0))
    listener.hear(sender.send(0x41, 0.0))
    heard = Receiver(listener, Frame(), 1.0).run(200.0)
    assert [(one.value, one.framing_error) for one in heard] == [(0, True), (0x41, False)]


@pytest.mark.parametrize("parity", ["E", "O", "M", "S"])
def test_parity_is_checked(parity: str) -> None:
    """V.4: a receiver with the other parity says so, one with the same does not."""
    other = {"E": "O", "O": "E", "M": "S", "S": "M"}[parity]
    sender, listener = Transmitter(DRIVER, Frame(8, parity), 1.0), Listener(1.65, 3.3)
    listener.hear(sender.send(0x43, 5.0))
    for frame, wrong in ((Frame(8, parity), False), (Frame(8, other), True)):
        assert Receiver(listener, frame, 1.0).run(50.0)[0].parity_error is wrong


def test_a_character_is_not_read_before_the_wire_is_known() -> None:
    """The receiver waits for the last tick that it judges."""
    listener = Listener(1.65, 3.3)
    listener.hear(Transmitter(DRIVER, Frame(), 1.0).send(0x41, 5.0))
    receiver = Receiver(listener, Frame(), 1.0)
    assert receiver.run(14.0) == []
    due = receiver.due()
    assert due is not None
    assert len(receiver.run(due + 1e-6)) == 1
    assert receiver.due() is None


def test_long_traffic_is_read_to_the_last_character() -> None:
    """Old level changes are forgotten on the way; nothing may be lost by that."""
    text = bytes(range(256)) * 20
    sender, listener = Transmitter(DRIVER, Frame(), 1.0), Listener(1.65, 3.3)
    receiver = Receiver(listener, Frame(), 1.0, phase=0.4)
    heard: list[Heard] = []
    for value in text:
        listener.hear(sender.send(value, 5.0))
        heard += receiver.run(sender.free_at)
    assert bytes(one.value for one in heard) == text
    assert len(listener.times) < 10_000
