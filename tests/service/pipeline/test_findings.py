"""The table of findings, and what the record cannot tell: by rule, on lines made by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.pipeline.evidence import ReadShot
from service.pipeline.expectation import Expectation
from service.pipeline.findings import CODES, SEVERITIES, NoSuchCode, make_finding
from service.pipeline.readings import CUT, FrameFormat, FrameOdds
from tests.service.pipeline.builders import (
    F8N1,
    LOOKS,
    Said,
    echo_of,
    flat,
    line,
    shot,
    train,
)
from tests.service.pipeline.judging import BACK, FRAME, KNOWN, SENT, codes, finding, judged, verdicts


def test_a_good_firmware_on_a_good_bench_passes_without_a_finding() -> None:
    """Nothing is said where there is nothing to say, but for what could not be measured finely."""
    document = judged(shot(SENT, echo_of(SENT)))
    assert document["verdict"] == "pass"
    assert codes(document) == []
    assert set(verdicts(document).values()) == {"pass"}


CONTRACT_DEVICE = {
    "echo-missing",
    "echo-extra",
    "echo-changed",
    "echo-out-of-order",
    "echo-late",
    "framing-error",
    "break",
    "parity-error",
    "rate-off",
    "level-out-of-limits",
    "slow-edge",
}
CONTRACT_BENCH = {
    "probe-ratio",
    "probe-overcompensated",
    "probe-undercompensated",
    "probes-exchanged",
    "lines-bridged",
    "crosstalk",
    "clipped",
    "zero-shifted",
    "noisy",
    "glitches",
    "too-few-samples",
    "capture-cut",
    "no-activity",
    "line-undriven",
    "stimulus-differs",
    "rate-ambiguous",
    "format-ambiguous",
    "trigger-outside-signal",
    "reference-missing",
    "reference-rate-off",
    "reference-level-off",
    "instrument-error",
    "link-silent",
    "identity-changed",
    "self-test-failed",
}


def test_the_table_holds_every_code_that_others_rely_on() -> None:
    """Names and sides as published; each with words, a remedy and one of three severities. What speaks
    against a device stands in a criterion; a hint (`info`) speaks against nobody and decides none.
    """
    sides = {row.code: row.side for row in CODES}
    assert len(sides) == len(CODES)
    assert {c for c, s in sides.items() if s == "device"} >= CONTRACT_DEVICE
    assert {c for c, s in sides.items() if s == "bench"} >= CONTRACT_BENCH
    for row in CODES:
        assert row.severity in SEVERITIES
        assert len(row.words) > 10
        assert row.remedy.endswith(".")
        assert (row.criterion is not None) == (row.side == "device" and row.severity != "info")


@pytest.mark.parametrize("code", ["framing-error", "parity-error", "break", "rate-off", "level-out-of-limits",
                                  "slow-edge"])  # fmt: skip
def test_on_the_to_target_line_the_bench_is_to_blame(code: str) -> None:
    """The same symptom is the firmware's on its own line and the bench's on the PC's."""
    assert make_finding(code, "from_target").side == "device"
    assert make_finding(code, "to_target").side == "bench"
    assert make_finding(code, "to_target").remedy != make_finding(code, "from_target").remedy


def test_a_code_that_does_not_exist_cannot_be_raised() -> None:
    """A finding comes out of the table or not at all."""
    with pytest.raises(NoSuchCode, match="echo-lost"):
        make_finding("echo-lost")
    with pytest.raises(ValueError, match="severity"):
        make_finding("echo-missing", severity="terrible")


def test_a_record_that_ends_too_early_cannot_call_an_echo_missing() -> None:
    """The last echo could still have come after the end."""
    echoed = echo_of(SENT, 2e-4)[:-1]
    document = judged(shot(SENT, echoed, end_s=SENT[-1].start_s + FRAME + 3e-4))
    assert codes(document) == [("capture-cut", "bench", None)]
    assert verdicts(document)["content"] == "inconclusive/record"


def test_a_missing_echo_before_an_answered_one_is_missing_however_short_the_record() -> None:
    """Echoes come in order: what a later one has overtaken will not come."""
    echoed = echo_of(SENT, 2e-4)
    del echoed[4]
    document = judged(shot(SENT, echoed, end_s=echoed[-1].start_s + 1.1 * FRAME))
    assert codes(document) == [("echo-missing", "device", "from_target")]


def test_characters_cut_off_are_not_judged() -> None:
    """An echo cut by the end of the record is the record's fault."""
    echoed = echo_of(SENT)
    echoed[-1] = Said(0, echoed[-1].start_s, CUT)
    document = judged(shot(SENT, echoed))
    assert ("capture-cut", "bench", "from_target") in codes(document)
    assert verdicts(document)["content"] == "inconclusive/record"
    assert document["lines"]["from_target"]["characters"][-1]["errors"] == ["cut"]


def test_the_answer_to_unseen_characters_is_not_extra_in_a_forced_record() -> None:
    """A record forced in the middle of the traffic begins with answers to what it did not see."""
    early = [Said(ord("x"), -3 * FRAME)]
    document = judged(shot(SENT, [*early, *echo_of(SENT)], triggered=False))
    assert "echo-extra" not in [c for c, _, _ in codes(document)]
    assert verdicts(document)["content"] == "inconclusive/record"
    assert "echo-extra" in [c for c, _, _ in codes(judged(shot(SENT, [*early, *echo_of(SENT)])))]


@pytest.mark.parametrize(("per_bit", "severity"), [(5.2, None), (4.2, "warning"), (2.6, "fail")])
def test_few_samples_warn_below_five_and_refuse_below_three(per_bit: float, severity: str | None) -> None:
    """Character errors begin at 4 samples a bit with a 4 % clock; below 3 nothing is claimed."""
    looks = replace(LOOKS, per_bit=per_bit)
    document = judged(shot(SENT, echo_of(SENT), to=looks))
    found = [f for f in document["findings"] if f["code"] == "too-few-samples" and f["severity"] != "info"]
    assert [f["severity"] for f in found] == ([severity] * 2 if severity else [])
    if severity == "fail":
        assert document["lines"]["from_target"]["baud"] is None
        assert verdicts(document)["timing"] == "inconclusive/bench"
        assert verdicts(document)["rate"] == "inconclusive/bench"
    else:
        assert document["verdict"] == "pass"


def test_what_could_not_be_measured_is_null_and_a_finding_says_why() -> None:
    """Edges steeper than three samples: no rise time, a finding, and yet surely fast enough."""
    document = judged(shot(SENT, echo_of(SENT)))
    assert document["lines"]["to_target"]["rise_time"] is None
    said = [f for f in document["findings"] if f["code"] == "too-few-samples"]
    assert {f["line"] for f in said} == {"to_target", "from_target"}
    assert all(f["evidence"]["quantities"] == ["rise_time", "fall_time"] for f in said)
    assert verdicts(document)["edges"] == "pass"


def test_no_characters_on_the_to_target_line_is_no_activity() -> None:
    """Nothing was said, so nothing can be missing."""
    span = (-1e-4, 4e-3)
    document = judged(ReadShot(flat(3.3, span=span), flat(3.3, BACK, span=span)))
    assert codes(document) == [("no-activity", "bench", "to_target")]
    assert set(verdicts(document).values()) == {"inconclusive/bench"}


def test_answers_to_a_silent_line_ask_for_the_probe() -> None:
    """Traffic on the from-target line alone: a lost probe, or exchanged ones and a silent firmware."""
    span = (-1e-4, 4e-3)
    document = judged(ReadShot(flat(3.3, span=span), line(SENT, BACK, span=span)))
    assert codes(document) == [("no-activity", "bench", "to_target")]
    assert "exchanged" in finding(document, "no-activity")["message"]


def test_what_the_line_carried_is_judged_and_a_difference_to_what_was_sent_is_said() -> None:
    """The bridge lost one character: the firmware echoed what it got."""
    given = shot(SENT, echo_of(SENT))
    document = judged(given, expectation=replace(KNOWN, sent=b"Tide 77"))
    assert codes(document) == [("stimulus-differs", "bench", "to_target")]
    assert document["verdict"] == "pass"
    assert codes(judged(given, expectation=replace(KNOWN, sent=b"Tide 7"))) == []


def test_what_was_sent_is_compared_shot_by_shot() -> None:
    """Two shots, each with its part of the payload."""
    first, second = train(b"Tide"), train(b" 7")
    shots = [
        replace(shot(first, echo_of(first)), sent=b"Tide"),
        replace(shot(second, echo_of(second)), sent=b" 8"),
    ]
    found = finding(judged(*shots), "stimulus-differs")
    assert found["evidence"]["shot"] == 1
    assert "0x38 '8' sent, 0x37 '7' seen" in found["message"]


def test_seven_data_bits_carry_the_lower_seven_of_each_byte() -> None:
    """What cannot go over the line is no difference."""
    frame = FrameFormat(7, "E", 1)
    sent = train(bytes(b & 0x7F for b in b"\xc1\x42"))
    shots = ReadShot(
        line(sent, frame=frame, span=(-1e-4, 5e-3)),
        line(echo_of(sent), BACK, frame=frame, span=(-1e-4, 5e-3)),
        sent=b"\xc1\x42",
    )
    assert codes(judged(shots, expectation=replace(KNOWN, frame=frame))) == []


@pytest.mark.parametrize(("level", "named"), [(1.65, False), (4.0, True), (-0.5, True)])
def test_a_trigger_level_outside_the_signal_is_named(level: float, named: bool) -> None:
    """Such a record starts anywhere; what it shows in full is judged all the same."""
    document = judged(shot(SENT, echo_of(SENT), trigger_level_v=level, triggered=not named))
    assert codes(document) == ([("trigger-outside-signal", "bench", "to_target")] if named else [])
    assert document["verdict"] == "pass"


def test_what_the_acquisition_said_is_not_said_twice() -> None:
    """Findings that came with the shots stay first and alone."""
    given = make_finding("trigger-outside-signal", "to_target", "as the acquisition saw it.")
    document = judged(shot(SENT, echo_of(SENT), trigger_level_v=9.0), given=[given])
    assert finding(document, "trigger-outside-signal")["message"].endswith("as the acquisition saw it.")


def test_a_rate_that_the_record_does_not_tell_is_not_judged() -> None:
    """Two rates explain it: named, rate and timing open, the content judged as it was read."""
    notes = {"rate_candidates": [{"baud": 230_400.0, "odds": 0.6}, {"baud": 115_200.0, "odds": 0.4}]}
    given = shot(SENT, echo_of(SENT))
    open_shot = replace(given, to_target=replace(given.to_target, notes=notes))
    document = judged(open_shot, expectation=Expectation(logic="3.3"))
    assert ("rate-ambiguous", "bench", "to_target") in codes(document)
    assert verdicts(document)["rate"] == "inconclusive/bench"
    assert verdicts(document)["content"] == "pass"
    assert "rate-ambiguous" not in [c for c, _, _ in codes(judged(open_shot))]


def test_formats_that_the_record_allows_are_listed() -> None:
    """8N1 or 8N2: said, not judged, and only where nobody stated one."""
    given = shot(SENT, echo_of(SENT))
    odds = (FrameOdds(F8N1, 0.9), FrameOdds(FrameFormat(8, "N", 2), 0.1))
    both = replace(given, to_target=replace(given.to_target, possible=odds))
    document = judged(both, expectation=replace(KNOWN, frame=None))
    assert ("format-ambiguous", "bench", "to_target") in codes(document, info=True)
    assert document["lines"]["to_target"]["frame"] == {"best": "8N1", "possible": ["8N1", "8N2"]}
    assert document["verdict"] == "pass"
    assert "format-ambiguous" not in [c for c, _, _ in codes(judged(both), info=True)]
