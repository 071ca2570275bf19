"""What is sent: plans, text, hex; and what cannot be sent."""

from __future__ import annotations

import itertools

import pytest

from service.errors import BadPayload, UnknownPlan, outcome_of
from service.pipeline.readings import FrameFormat
from service.plans import LONGEST_PAYLOAD, PLANS, Send, payload_of

EIGHT = FrameFormat.parse("8N1")
SEVEN = FrameFormat.parse("7E1")
FIVE = FrameFormat.parse("5N1.5")


def test_the_plan_of_all_values_has_every_value_that_the_frame_can_carry_once() -> None:
    """256 with eight data bits, 128 with seven, 32 with five."""
    for frame in (EIGHT, SEVEN, FIVE):
        assert sorted(payload_of(Send(plan="all-values"), frame)) == list(range(1 << frame.data_bits))


def test_the_square_wave_alternates_bit_by_bit_on_the_line() -> None:
    """Start bit 0, then 0x55 least significant bit first (ISO 1177), stop bit 1: a change at every bit."""
    payload = payload_of(Send(plan="square-wave"), EIGHT)
    bits = [bit for value in payload for bit in (0, *((value >> n) & 1 for n in range(8)), 1)]
    assert all(a != b for a, b in itertools.pairwise(bits))


@pytest.mark.parametrize("frame", [EIGHT, SEVEN, FIVE], ids=str)
def test_every_plan_fits_every_frame_that_can_carry_any_of_it(frame: FrameFormat) -> None:
    """Never empty, never a value that the data bits cannot carry; five bits carry no printable ASCII."""
    fitting = [p for p in PLANS if frame is not FIVE or p.name not in ("short", "printable")]
    for plan in fitting:
        payload = payload_of(Send(plan=plan.name), frame)
        assert payload
        assert max(payload) < 1 << frame.data_bits


@pytest.mark.parametrize("text", ["4869", "48 69", "0x48 0x69", "0x48,0x69", "48:69", "4869\n", "48-69"])
def test_hex_is_read_as_people_write_it(text: str) -> None:
    """Spaces, commas, colons and 0x do not matter."""
    assert payload_of(Send(hex=text), EIGHT) == b"Hi"


@pytest.mark.parametrize(
    ("send", "frame", "words"),
    [
        (Send(), EIGHT, "got none"),
        (Send(text="a", plan="short"), EIGHT, "text and plan"),
        (Send(text=""), EIGHT, "empty"),
        (Send(hex=""), EIGHT, "empty"),
        (Send(hex="4g"), EIGHT, "'g' is no hexadecimal digit"),
        (Send(hex="486"), EIGHT, "3 digits"),
        (Send(text="ä"), SEVEN, "character 1 of the payload is 0xc3, the station's frame 7E1"),
        (Send(text="x" * (LONGEST_PAYLOAD + 1)), EIGHT, "at most 4096"),
        (Send(plan="short"), FIVE, "can carry none of the values"),
    ],
)
def test_what_cannot_be_sent_is_refused_with_the_reason(send: Send, frame: FrameFormat, words: str) -> None:
    """Before anything is queued."""
    with pytest.raises(BadPayload, match=words):
        payload_of(send, frame)


def test_an_unknown_plan_is_told_with_all_that_there_are() -> None:
    """HTTP 404 and exit code 2, as the contract has it."""
    with pytest.raises(UnknownPlan, match="short, printable, all-values") as caught:
        payload_of(Send(plan="shrot"), EIGHT)
    assert (outcome_of(caught.value).status, outcome_of(caught.value).exit_code) == (404, 2)
