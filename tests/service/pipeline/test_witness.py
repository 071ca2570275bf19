"""The serial link as a second witness of what the firmware sent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.pipeline.chain import judge_readings
from service.pipeline.findings import make_finding
from service.pipeline.readings import BREAK, FRAMING
from service.pipeline.witness import Contradiction, contact_lost, contradiction, denied
from tests.service.pipeline.builders import Said, echo_of, shot
from tests.service.pipeline.judging import BACK, FRAME, KNOWN, SENT, codes, judged, verdicts

TEXT = b"Tide 7"
ECHOED = echo_of(SENT)
LAST_S = ECHOED[-1].start_s


def found(said: list[Said], heard: bytes, sent: list[Said] = SENT) -> Contradiction | None:
    """What a record with that on the from-target line says against a link that heard that."""
    return contradiction(judge_readings([shot(sent, said, back=BACK)], KNOWN), TEXT, heard)


def broken(after_s: float) -> list[Said]:
    """The right echo, and a break so long after its end."""
    return [*ECHOED, Said(0, LAST_S + FRAME + after_s, BREAK | FRAMING)]


def sure(contradicted: Contradiction | None) -> Contradiction:
    assert contradicted is not None
    return contradicted


def test_a_break_that_the_link_did_not_hear_contradicts_it() -> None:
    """A link brings a break as 0x00: one that heard only the echo heard no break."""
    assert sure(found(broken(1e-3), TEXT)).role == "from_target"
    assert found(broken(1e-3), TEXT + b"\0") is None


def test_a_right_echo_contradicts_nothing_whatever_the_link_heard() -> None:
    """The record has nothing against the firmware: there is nothing to doubt."""
    assert found(list(ECHOED), b"noise") is None


def test_a_character_that_the_link_heard_too_is_not_denied() -> None:
    """Lost, changed or added: two witnesses say the same, and the firmware is judged by it."""
    assert found(list(ECHOED[:2] + ECHOED[3:]), b"Tie 7") is None
    assert found([replace(ECHOED[0], value=ord("t")), *ECHOED[1:]], b"tide 7") is None


def test_a_lost_character_that_the_link_heard_is_denied() -> None:
    """The record misses one in the middle, the link has all."""
    assert sure(found(list(ECHOED[:2] + ECHOED[3:]), TEXT)).right


def test_a_record_that_ends_before_the_link_does_is_no_contradiction() -> None:
    """What came after its end is for a longer record."""
    assert found(list(ECHOED[:4]), TEXT) is None


def test_a_line_seen_at_rest_is_believed() -> None:
    """An adapter may echo by itself: a firmware that was silent on the line stays so."""
    assert found([], TEXT) is None


def test_a_record_that_a_gap_triggered_holds_nothing_of_what_was_sent() -> None:
    """A break before the text, both lines at rest after it: all was echoed, later."""
    gap = [Said(0, 0.0, BREAK | FRAMING)]
    assert sure(found([], TEXT, gap)).role == "to_target"
    assert found([], b"", gap) is None


def test_characters_missing_on_the_to_target_line_are_denied_by_a_right_echo() -> None:
    """The firmware answered all: then it was told all, whatever the probe on that line shows."""
    without = SENT[:2] + SENT[3:]
    assert sure(found(list(ECHOED), TEXT, without)).role == "to_target"
    assert found(list(ECHOED), b"Tide 7!", without) is None  # not the echo of what was sent


@pytest.mark.parametrize("other_s", [1.3e-3, 2e-3])
def test_breaks_at_two_places_are_a_contact_and_fail_nothing(other_s: float) -> None:
    """Two takes that differ: bench, and what it spoils is void."""
    told = contact_lost(sure(found(broken(1e-3), TEXT)), sure(found(broken(other_s), TEXT)))
    assert told is not None
    assert (told.code, told.side, told.severity, told.line) == (
        "contact-lost",
        "bench",
        "fail",
        "from_target",
    )
    document = judged(shot(SENT, broken(other_s), back=BACK), given=[told])
    assert verdicts(document)["framing"] == "inconclusive/bench"
    assert codes(document) == [("contact-lost", "bench", "from_target")]


def test_a_break_at_the_same_place_twice_is_the_firmware_s() -> None:
    """A link may be deaf to breaks; a contact is not lost twice at one place."""
    first, second = sure(found(broken(1e-3), TEXT)), sure(found(broken(1.01e-3), TEXT))
    assert contact_lost(first, second) is None


def test_the_same_character_missing_twice_is_the_firmware_s() -> None:
    """Even where the link heard it: it may echo by itself."""
    gone = sure(found(list(ECHOED[:2] + ECHOED[3:]), TEXT))
    assert contact_lost(gone, gone) is None


def test_a_firmware_that_the_link_calls_wrong_too_is_not_excused() -> None:
    """Two takes that differ, but the link never heard the right echo either."""
    first, second = sure(found(broken(1e-3), b"Tide 8")), sure(found(broken(2e-3), b"Tide 9"))
    assert contact_lost(first, second) is None


def test_a_contact_that_came_back_is_told_and_voids_nothing() -> None:
    """The second take agrees with the link: it is judged, and the first is mentioned."""
    told = contact_lost(sure(found(broken(1e-3), TEXT)), None)
    assert told is not None
    assert told.severity == "warning"
    document = judged(shot(SENT, list(ECHOED), back=BACK), given=[told])
    assert verdicts(document)["framing"] == "pass"


def test_wrong_frames_throughout_are_the_firmware_s_though_one_of_them_comes_out_differently() -> None:
    """A firmware that sends no stop bit: its 0x00 is a break in one take, misframed in the other."""
    frames = tuple(("misframed", at, None, at) for at in range(1, 256))
    first = Contradiction(
        "from_target", (("missing", 0, 0, None), *frames), ((0, 1e-4),), 4e-5, 256, 256, True
    )
    second = replace(first, faults=(("misframed", 0, None, 0), *frames), breaks=())
    assert contact_lost(first, second) is None
    few = replace(first, faults=frames[:2])
    assert contact_lost(few, replace(few, breaks=((1, 1e-4),))) is not None


def test_one_record_alone_is_void() -> None:
    """A stored capture cannot be taken again."""
    told = denied(sure(found(broken(1e-3), TEXT)))
    assert told is not None
    assert told.severity == "fail"
    assert denied(sure(found(broken(1e-3), b"Tide 8"))) is None


def test_a_stop_bit_that_is_wrong_in_one_take_only_is_no_firmware_s() -> None:
    """A gap over a stop bit leaves the value right; a wrong frame shows in every take."""
    spoilt = [*ECHOED[:2], replace(ECHOED[2], errors=FRAMING), *ECHOED[3:]]
    first = sure(found(spoilt, TEXT))
    assert contact_lost(first, first) is None
    told = contact_lost(first, sure(found(broken(1e-3), TEXT)))
    assert told is not None
    assert told.severity == "fail"


def test_a_break_on_the_to_target_line_that_nobody_answered_is_doubted_too() -> None:
    """All was echoed rightly: a break among it was a contact, unless it is seen again at that place."""
    breaks = [*SENT[:3], Said(0, SENT[2].start_s + FRAME + 1e-3, BREAK | FRAMING)]
    later = [replace(each, start_s=each.start_s + 3e-3) for each in SENT[3:]]
    first = sure(found(list(echo_of([*SENT[:3], *later])), TEXT, [*breaks, *later]))
    assert (first.role, first.right) == ("to_target", True)
    assert contact_lost(first, first) is None
    breaks[-1] = replace(breaks[-1], start_s=SENT[2].start_s + FRAME + 1.5e-3)
    elsewhere = sure(found(list(echo_of([*SENT[:3], *later])), TEXT, [*breaks, *later]))
    assert contact_lost(first, elsewhere) is not None
    told = contact_lost(first, None)
    assert told is not None
    assert (told.line, told.severity) == ("to_target", "warning")


def test_what_a_lost_contact_left_on_its_line_is_not_named_besides() -> None:
    """One fault, one name: no break that somebody sent, nothing said differently from what was sent."""
    told = replace(make_finding("contact-lost", "to_target"), severity="fail")
    breaks = [*SENT, Said(0, SENT[-1].start_s + FRAME + 1e-3, BREAK | FRAMING)]
    document = judged(shot(breaks, list(ECHOED), back=BACK), given=[told])
    assert codes(document) == [("contact-lost", "bench", "to_target")]
    assert ("break", "bench", "to_target") in codes(judged(shot(breaks, list(ECHOED), back=BACK)))
