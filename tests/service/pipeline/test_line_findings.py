"""Findings about echoes, framing, rate, levels and edges: what is the firmware's and what the bench's."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.pipeline.expectation import Limits
from service.pipeline.readings import BREAK, FRAMING, PARITY
from tests.service.pipeline.builders import (
    LOOKS,
    Said,
    T,
    echo_of,
    shot,
    train,
)
from tests.service.pipeline.judging import BACK, FRAME, KNOWN, SENT, codes, finding, judged, verdicts


def test_a_lost_echo_is_named_with_its_place() -> None:
    """`d` lost: one echo-missing, content fails, order does not."""
    echoed = echo_of(SENT)
    del echoed[2]
    document = judged(shot(SENT, echoed))
    found = finding(document, "echo-missing")
    assert (found["side"], found["severity"], found["line"]) == ("device", "fail", "from_target")
    assert found["evidence"]["places"][0]["sent_index"] == 2
    assert "0x64 'd' at 86.8 µs" in found["message"]
    assert verdicts(document) | {"content": "fail"} == verdicts(document)
    assert verdicts(document)["order"] == "pass"
    assert document["verdict"] == "fail"


def test_an_added_and_a_changed_character_are_named_apart() -> None:
    """Each fault has its own code, both fail the content."""
    sent = train(b"Tide", step_s=3 * FRAME)
    echoed = echo_of(sent)
    echoed[1] = Said(ord("I"), echoed[1].start_s)
    echoed.insert(3, Said(ord("!"), echoed[2].start_s + FRAME))
    document = judged(shot(sent, echoed))
    assert [c for c, _, _ in codes(document)] == ["echo-extra", "echo-changed"]
    assert "0x69 'i' came back as 0x49 'I'" in finding(document, "echo-changed")["message"]
    assert verdicts(document)["content"] == "fail"


def test_exchanged_characters_fail_the_order_and_not_the_content() -> None:
    """All came back, one at another place."""
    sent = train(b"abcd", step_s=2 * FRAME)
    echoed = [Said(v, e.start_s + 2 * FRAME) for v, e in zip(b"bacd", echo_of(sent), strict=True)]
    document = judged(shot(sent, echoed))
    assert codes(document) == [("echo-out-of-order", "device", "from_target")]
    assert verdicts(document)["order"] == "fail"
    assert verdicts(document)["content"] == "pass"


def test_a_late_echo_touches_timing_and_never_content() -> None:
    """3 ms where 2 ms are allowed."""
    sent = train(b"Tide", step_s=1e-3)
    document = judged(shot(sent, echo_of(sent, 3e-3)))
    assert codes(document) == [("echo-late", "device", "from_target")]
    assert verdicts(document)["timing"] == "fail"
    assert verdicts(document)["content"] == "pass"


def test_a_latency_within_its_uncertainty_of_the_limit_is_doubtful() -> None:
    """2 ms +- 25 ppm of time base: neither pass nor fail, and no finding."""
    sent = train(b"Tide", step_s=5e-3)
    document = judged(shot(sent, echo_of(sent, 2e-3 + 1e-8)))
    assert verdicts(document)["timing"] == "inconclusive/guard-band"
    assert codes(document) == []


def test_silence_with_a_driven_line_fails_the_firmware() -> None:
    """The line rests at 3.3 V, so somebody drives it: nothing was echoed."""
    document = judged(shot(SENT, [], back=BACK))
    assert codes(document) == [("echo-missing", "device", "from_target")]
    assert document["verdict"] == "fail"
    assert document["lines"]["from_target"]["idle"] == "high"
    assert document["lines"]["from_target"]["baud"] is None
    assert document["lines"]["from_target"]["levels"]["high"]["value"] == pytest.approx(3.3, abs=0.02)


@pytest.mark.parametrize(
    ("errors", "code"),
    [(FRAMING, "framing-error"), (PARITY, "parity-error"), (PARITY | FRAMING, "framing-error")],
)  # fmt: skip
def test_a_wrongly_framed_answer_is_the_firmwares(errors: int, code: str) -> None:
    """One code for each kind of error; the framing criterion fails."""
    echoed = echo_of(SENT)
    echoed[3] = replace(echoed[3], errors=errors)
    document = judged(shot(SENT, echoed))
    assert codes(document) == [(code, "device", "from_target")]
    assert verdicts(document)["framing"] == "fail"


@pytest.mark.parametrize("errors", [BREAK, BREAK | FRAMING])
def test_a_break_is_no_character(errors: int) -> None:
    """Between the echoes it adds none; in the place of one it leaves that one missing."""
    echoed = echo_of(SENT)
    between = judged(shot(SENT, [*echoed, Said(0, echoed[-1].start_s + 2 * FRAME, errors)]))
    assert codes(between) == [("break", "device", "from_target")]
    assert verdicts(between)["content"] == "pass"
    echoed[3] = Said(0, echoed[3].start_s, errors)
    instead = judged(shot(SENT, echoed))
    assert [c for c, _, _ in codes(instead)] == ["break", "echo-missing"]
    assert [e["echo_index"] for e in instead["echoes"]] == [0, 1, 2, None, 4, 5]


@pytest.mark.parametrize(("errors", "code"), [(FRAMING, "framing-error"), (PARITY, "parity-error")])
def test_what_was_wrongly_said_need_not_be_heard(errors: int, code: str) -> None:
    """A wrongly framed stimulus excuses a missing echo, and is no reason to doubt the ones that came."""
    sent = [*SENT[:3], replace(SENT[3], errors=errors), *SENT[4:]]
    echoed = echo_of(SENT)
    assert verdicts(judged(shot(sent, echoed)))["content"] == "pass"
    del echoed[3]
    document = judged(shot(sent, echoed))
    assert codes(document) == [(code, "bench", "to_target")]
    assert verdicts(document)["content"] == "inconclusive/bench"
    assert verdicts(document)["framing"] == "pass"


def test_a_break_on_the_to_target_line_asks_for_no_echo_and_excuses_one() -> None:
    """Whether a firmware answers a break is its own affair."""
    sent = [*SENT, Said(0, 9 * FRAME, BREAK)]
    for echoed in (echo_of(SENT), [*echo_of(sent[:6]), Said(0, 11 * FRAME)]):
        document = judged(shot(sent, echoed))
        assert codes(document) == [("break", "bench", "to_target")]
        assert document["verdict"] != "fail"


@pytest.mark.parametrize(
    ("divider_rate", "verdict"),
    [
        # the published divider table at 16 MHz: 115,200 by 16 x 9 (-3.5 %) and by 8 x 17 (+2.1 %)
        (16e6 / 16 / 9 / 115_200, "fail"),
        (16e6 / 8 / 17 / 115_200, "fail"),
        (16e6 / 16 / 104 / 9600, "pass"),  # +0.16 %
        (16e6 / 8 / 35 / 57_600, "pass"),  # -0.79 %
        (1.02, "inconclusive/guard-band"),  # exactly at the limit
    ],
)
def test_a_wrong_divider_is_the_firmwares_rate(divider_rate: float, verdict: str) -> None:
    """Integer dividers of the published table against the 2 % limit."""
    back = replace(BACK, bit_s=T / divider_rate)
    document = judged(shot(SENT, echo_of(SENT), back=back))
    assert verdicts(document)["rate"] == verdict
    assert codes(document) == ([("rate-off", "device", "from_target")] if verdict == "fail" else [])


def test_a_wrong_rate_of_the_pc_is_the_benchs() -> None:
    """The stimulus 3 % off: the firmware's own rate still counts, its deafness does not."""
    off = replace(LOOKS, bit_s=T * 1.03)
    document = judged(shot(SENT, [], to=off, back=BACK))
    assert codes(document) == [("rate-off", "bench", "to_target")]
    assert verdicts(document)["content"] == "inconclusive/bench"


def test_without_a_nominal_rate_the_two_lines_are_compared() -> None:
    """One time base measures both, so its error cancels: 2.5 % is off whatever the data sheet says."""
    blind = replace(KNOWN, baud=None)
    back = replace(BACK, bit_s=T * 1.025)
    document = judged(shot(SENT, echo_of(SENT), back=back), expectation=blind)
    assert codes(document) == [("rate-off", "device", "from_target")]
    rate = next(m for m in document["measurements"] if m["name"] == "from_target.rate_deviation")
    assert rate["u"] == rate["u_record"]


@pytest.mark.parametrize(
    ("looks", "verdict"),
    [
        (replace(BACK, high_v=2.5), "pass"),
        (replace(BACK, high_v=2.03), "inconclusive/guard-band"),
        (replace(BACK, high_v=1.65), "fail"),
        (replace(BACK, low_v=1.2), "fail"),
        (replace(BACK, low_v=0.81), "inconclusive/guard-band"),
        (replace(BACK, high_v=5.0), "fail"),
        (replace(BACK, low_v=-0.6), "fail"),
    ],
)
def test_levels_are_held_against_the_receiving_family(looks: Any, verdict: str) -> None:
    """3.3 V: at most 0.8 V low, at least 2.0 V high (JESD8), not beyond the supply by more than 0.3 V."""
    document = judged(shot(SENT, echo_of(SENT), back=looks))
    assert verdicts(document)["levels"] == verdict
    expected = [("level-out-of-limits", "device", "from_target")] if verdict == "fail" else []
    assert codes(document) == expected


def test_a_level_that_the_target_cannot_hear_excuses_its_silence() -> None:
    """1.65 V on the to-target line is the bench's, and so is what follows from it."""
    document = judged(shot(SENT, [], to=replace(LOOKS, high_v=1.65), back=BACK))
    assert ("level-out-of-limits", "bench", "to_target") in codes(document)
    assert verdicts(document)["content"] == "inconclusive/bench"


def test_a_slow_edge_fails_only_where_edges_are_required() -> None:
    """1.3 us of 4.34 us: named, the criterion fails, the verdict does not unless edges are asked for."""
    shots = shot(SENT, echo_of(SENT), back=replace(BACK, rise_s=1.3e-6, per_bit=50))
    document = judged(shots)
    assert set(codes(document)) == {("slow-edge", "device", "from_target")}
    assert verdicts(document)["edges"] == "fail"
    assert document["verdict"] == "pass"
    strict = replace(KNOWN, limits=Limits(required=("edges",)))
    assert judged(shots, expectation=strict)["verdict"] == "fail"
