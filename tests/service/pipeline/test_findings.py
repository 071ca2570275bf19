"""Each rule, on lines made by hand: what it names, on whose side, and what it leaves alone."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from service.pipeline.chain import judge_readings
from service.pipeline.document import result_document
from service.pipeline.evidence import ReadShot
from service.pipeline.expectation import Expectation, Limits
from service.pipeline.findings import CODES, SEVERITIES, Finding, NoSuchCode, make_finding
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY, FrameFormat, FrameOdds
from tests.service.pipeline.builders import (
    BAUD,
    F8N1,
    LOOKS,
    Said,
    T,
    echo_of,
    flat,
    line,
    shot,
    train,
)

KNOWN = Expectation(baud=BAUD, frame=F8N1, logic="3.3")
SENT = train(b"Tide 7")
FRAME = 10 * T
BACK = replace(LOOKS, channel="ch2")


def judged(
    *shots: ReadShot, expectation: Expectation = KNOWN, given: Sequence[Finding] = ()
) -> dict[str, Any]:
    """The result document, proven to be JSON."""
    document = result_document(judge_readings(shots, expectation, given))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    return document


def codes(document: dict[str, Any], *, info: bool = False) -> list[tuple[str, str, str | None]]:
    """(code, side, line) of all findings but those of severity info."""
    return [
        (f["code"], f["side"], f["line"]) for f in document["findings"] if info or f["severity"] != "info"
    ]


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    """Criterion -> verdict, with the cause behind it where it is inconclusive."""
    return {c["name"]: c["verdict"] + (f"/{c['cause']}" if c["cause"] else "") for c in document["criteria"]}


def finding(document: dict[str, Any], code: str) -> dict[str, Any]:
    found = [f for f in document["findings"] if f["code"] == code]
    assert len(found) == 1, codes(document)
    return dict(found[0])


def test_a_good_firmware_on_a_good_bench_passes_without_a_finding() -> None:
    """Nothing is said where there is nothing to say, but for what could not be measured finely."""
    document = judged(shot(SENT, echo_of(SENT)))
    assert document["verdict"] == "pass"
    assert codes(document) == []
    assert set(verdicts(document).values()) == {"pass"}


# -- the table -------------------------------------------------------------------------------------

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
    """Names and sides as published; each with words, a remedy and one of three severities."""
    sides = {row.code: row.side for row in CODES}
    assert len(sides) == len(CODES)
    assert {c for c, s in sides.items() if s == "device"} >= CONTRACT_DEVICE
    assert {c for c, s in sides.items() if s == "bench"} >= CONTRACT_BENCH
    for row in CODES:
        assert row.severity in SEVERITIES
        assert len(row.words) > 10
        assert row.remedy.endswith(".")
        assert (row.criterion is not None) == (row.side == "device")


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


# -- echoes ----------------------------------------------------------------------------------------


def test_a_lost_echo_is_named_with_its_place() -> None:
    """`d` lost: one echo-missing, content fails, order does not."""
    echoed = echo_of(SENT)
    del echoed[2]
    document = judged(shot(SENT, echoed))
    found = finding(document, "echo-missing")
    assert (found["side"], found["severity"], found["line"]) == ("device", "fail", "from_target")
    assert found["evidence"]["places"][0]["sent_index"] == 2
    assert "0x64 'd' at 86.8 us" in found["message"]
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


# -- what the record cannot tell -------------------------------------------------------------------


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


# -- lines -----------------------------------------------------------------------------------------


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


# -- probes and wiring -----------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [0.1, 10.0])
@pytest.mark.parametrize("lines", [("to_target",), ("from_target",), ("to_target", "from_target")])
@pytest.mark.parametrize("logic", ["3.3", None])
def test_a_wrong_probe_factor_voids_the_levels_and_nothing_else(
    factor: float, lines: tuple[str, ...], logic: str | None
) -> None:
    """Ten times too large or too small, on either line or both, with the family stated or not."""

    def looks(role: str) -> Any:
        scale = factor if role in lines else 1.0
        base = LOOKS if role == "to_target" else BACK
        return replace(base, high_v=3.3 * scale, noise_v=0.005 * scale)

    document = judged(
        shot(SENT, echo_of(SENT), to=looks("to_target"), back=looks("from_target")),
        expectation=replace(KNOWN, logic=logic),
    )
    assert [c for c in codes(document) if c[0] == "probe-ratio"] == [
        ("probe-ratio", "bench", r) for r in lines
    ]
    assert not [c for c in codes(document) if c[1] == "device"]
    assert verdicts(document) == dict.fromkeys(verdicts(document), "pass") | {"levels": "inconclusive/bench"}


@pytest.mark.parametrize(("factor", "both"), [(10.0, False), (10.0, True), (0.1, True)])
def test_a_wrong_probe_factor_on_a_line_at_rest_is_no_level_of_the_firmwares(
    factor: float, both: bool
) -> None:
    """Silent firmware and a wrong factor: the silence is the firmware's, the 33 V are not."""
    span = (-1e-4, 4e-3)
    to = replace(LOOKS, high_v=3.3 * factor) if both else LOOKS
    document = judged(ReadShot(line(SENT, to, span=span), flat(3.3 * factor, BACK, span=span)))
    device = [c for c, side, _ in codes(document) if side == "device"]
    assert device == ["echo-missing"]
    assert ("probe-ratio", "bench", "from_target") in codes(document)
    assert verdicts(document)["levels"] == "inconclusive/bench"


@pytest.mark.parametrize("logic", ["rs232", None])
def test_an_rs232_line_at_one_tenth_is_said_to_be_ambiguous(logic: str | None) -> None:
    """+-0.9 V may be +-9 V at the wrong factor or a weak line at the right one: both are said."""
    looks = replace(LOOKS, low_v=-0.9, high_v=0.9, noise_v=0.002, idle_high=False)
    document = judged(shot(SENT, echo_of(SENT), to=looks), expectation=replace(KNOWN, logic=logic))
    found = [f for f in document["findings"] if f["code"] == "probe-ratio"]
    assert [f["line"] for f in found] == ["to_target", "from_target"]
    assert all("ambiguous" in f["message"] and f["evidence"]["ambiguous"] for f in found)
    assert verdicts(document)["levels"] == "inconclusive/bench"


def test_a_right_probe_factor_is_left_alone() -> None:
    """Real levels of every family raise nothing about the probe."""
    for logic, low, high in (("1.8", 0, 1.8), ("2.5", 0, 2.5), ("5-ttl", 0.2, 3.6), ("5-cmos", 0, 5),
                             ("rs232", -8, 8)):  # fmt: skip
        looks = replace(LOOKS, low_v=low, high_v=high, idle_high=logic != "rs232")
        document = judged(shot(SENT, echo_of(SENT), to=looks), expectation=replace(KNOWN, logic=logic))
        assert codes(document) == [], logic
        assert document["verdict"] == "pass"


def test_exchanged_probes_are_named_and_the_roles_follow_the_traffic() -> None:
    """The line that spoke first is the PC's; the channel tells the truth; nothing is void."""
    document = judged(shot(echo_of(SENT), SENT))
    assert codes(document) == [("probes-exchanged", "bench", None)]
    assert document["lines"]["to_target"]["channel"] == "ch2"
    assert document["lines"]["from_target"]["channel"] == "ch1"
    assert document["verdict"] == "pass"
    assert [e["status"] for e in document["echoes"]] == ["ok"] * 6


def test_exchanged_probes_do_not_hide_a_fault_of_the_firmware() -> None:
    """One echo lost and the probes exchanged: both are said."""
    echoed = echo_of(SENT)
    del echoed[1]
    document = judged(shot(echoed, SENT))
    assert [c for c, _, _ in codes(document)] == ["probes-exchanged", "echo-missing"]
    assert document["verdict"] == "fail"


def test_a_greeting_before_the_first_character_is_not_taken_for_exchanged_probes() -> None:
    """Who speaks first is not enough: the other one has to answer."""
    document = judged(shot(SENT, [*train(b"ready", -20 * FRAME), *echo_of(SENT)]))
    assert codes(document) == [("echo-extra", "device", "from_target")]


@pytest.mark.parametrize("values", [b"Tide 7", b"UUUUUU", b"\0"])
@pytest.mark.parametrize("shift_bits", [0.0, 0.3])
def test_a_bridge_between_the_lines_is_no_echo(values: bytes, shift_bits: float) -> None:
    """The same characters at the same time: start to start under 9.5 bit times cannot be an echo."""
    sent = train(values)
    document = judged(shot(sent, [replace(s, start_s=s.start_s + shift_bits * T) for s in sent]))
    assert codes(document) == [("lines-bridged", "bench", "from_target")]
    assert set(verdicts(document).values()) == {"inconclusive/bench"}


def test_a_bridge_beside_a_working_firmware_is_still_a_bridge() -> None:
    """The from-target line carries the copy and the true echo."""
    sent = train(b"Tide 7", step_s=3 * FRAME)
    both = sorted([*sent, *echo_of(sent)], key=lambda s: s.start_s)
    assert [c for c, _, _ in codes(judged(shot(sent, both)))] == ["lines-bridged"]


def test_full_duplex_bursts_of_one_value_are_not_taken_for_a_bridge() -> None:
    """Each echo runs beside the next character of the same value, as it must in a burst."""
    sent = train(b"U" * 40)
    document = judged(shot(sent, echo_of(sent, 1e-7)))
    assert document["verdict"] == "pass"
    assert codes(document) == []


def test_a_line_that_nothing_drives_is_the_benchs() -> None:
    """0 V where an output would rest at 3.3 V: void, with no word against the firmware."""
    quiet = ReadShot(line(SENT, span=(-1e-4, 4e-3)), flat(0.02, BACK, span=(-1e-4, 4e-3)))
    for expectation in (KNOWN, Expectation()):
        document = judged(quiet, expectation=expectation)
        assert codes(document) == [("line-undriven", "bench", "from_target")]
        assert verdicts(document)["content"] == "inconclusive/bench"


def test_an_rs232_line_between_its_states_is_undriven() -> None:
    """0 V is no state of RS-232; -8 V is idle."""
    looks = replace(LOOKS, low_v=-8, high_v=8, idle_high=False)
    expectation = replace(KNOWN, logic="rs232")
    span = (-1e-4, 4e-3)
    for level, code in ((0.0, "line-undriven"), (-8.0, "echo-missing")):
        document = judged(
            ReadShot(line(SENT, looks, span=span), flat(level, BACK, span=span)), expectation=expectation
        )
        assert [c for c, _, _ in codes(document)] == [code]


def _with_copy(part: float, spikes: bool) -> ReadShot:
    """A from-target line at rest with a copy of the to-target line's steps or edges, read as it seems."""
    source = line(SENT, span=(-1e-4, 4e-3))
    volts = source.trace.volts()
    copied = np.diff(volts, prepend=volts[0]) if spikes else volts - 3.3
    wave = 3.3 + part * copied + np.random.default_rng(4).normal(0, 0.01, len(volts))
    scale = source.trace.volts_per_code
    codes_ = np.clip(np.rint((wave - source.trace.volts_at_code_zero) / scale), -128, 127).astype(np.int8)
    trace = replace(source.trace, codes=codes_, channel="ch2")
    assert source.levels is not None
    levels = replace(source.levels, low_v=3.3 - 3.3 * part, noise_v=0.01)
    return ReadShot(source, replace(source, trace=trace, levels=levels))


@pytest.mark.parametrize("spikes", [False, True])
def test_crosstalk_on_a_line_at_rest_leaves_the_missing_echo_a_failure(spikes: bool) -> None:
    """12 % of the other line's swing: named, taken off the line, and the firmware was silent all the same."""
    document = judged(_with_copy(0.12, spikes))
    assert codes(document) == [
        ("crosstalk", "bench", "from_target"),
        ("echo-missing", "device", "from_target"),
    ]
    assert verdicts(document)["content"] == "fail"
    assert document["lines"]["from_target"]["characters"] == []
    assert finding(document, "crosstalk")["evidence"]["percent"] == pytest.approx(12, abs=1)


def test_a_clean_line_has_no_crosstalk() -> None:
    """Noise alone is not taken for a copy, echoes even less."""
    for noise in (0.001, 0.05, 0.2):
        looks = replace(LOOKS, noise_v=noise)
        for echoed in ([], echo_of(SENT)):
            document = judged(shot(SENT, echoed, to=looks))
            assert "crosstalk" not in [c for c, _, _ in codes(document)]


def test_a_clipped_level_is_not_a_level() -> None:
    """The high state lies at the converter's end: null, named, levels void."""
    document = judged(shot(SENT, echo_of(SENT), back=replace(BACK, clipped_high=True)))
    assert codes(document) == [("clipped", "bench", "from_target")]
    assert document["lines"]["from_target"]["levels"]["high"] is None
    assert document["lines"]["from_target"]["levels"]["low"] is not None
    assert verdicts(document)["levels"] == "inconclusive/bench"
    assert verdicts(document)["content"] == "pass"


@pytest.mark.parametrize("shift", [0.9, -0.9])
@pytest.mark.parametrize("logic", ["3.3", None])
def test_levels_shifted_together_are_the_benchs(shift: float, logic: str | None) -> None:
    """The swing is right, both levels lie off: a lifted ground, not an output stage."""
    back = replace(BACK, low_v=shift, high_v=3.3 + shift)
    document = judged(shot(SENT, echo_of(SENT), back=back), expectation=replace(KNOWN, logic=logic))
    assert codes(document) == [("zero-shifted", "bench", "from_target")]
    assert finding(document, "zero-shifted")["evidence"]["shift_v"] == pytest.approx(shift)
    assert verdicts(document)["levels"] == "inconclusive/bench"


def test_noise_warns_before_it_voids() -> None:
    """Half the swing over the noise: 12 dB warns, 5 dB voids everything."""
    loud = judged(shot(SENT, echo_of(SENT), back=replace(BACK, noise_v=0.41)))
    assert codes(loud) == [("noisy", "bench", "from_target")]
    assert verdicts(loud)["content"] == "pass"
    louder = judged(shot(SENT, echo_of(SENT)[:-1], back=replace(BACK, noise_v=0.95)))
    assert codes(louder) == [("noisy", "bench", "from_target")]
    assert set(verdicts(louder).values()) == {"inconclusive/bench"}


def test_noise_that_could_hide_a_signal_is_not_called_silence() -> None:
    """No two levels were found, but the noise is as large as the signal would be."""
    hidden = flat(1.65, replace(LOOKS, noise_v=1.2), span=(-1e-4, 4e-3))
    document = judged(ReadShot(hidden, flat(3.3, BACK, span=(-1e-4, 4e-3))))
    assert codes(document) == [("noisy", "bench", "to_target")]


@pytest.mark.parametrize(("margin", "severity"), [(9.0, "warning"), (2.5, "fail")])
@pytest.mark.parametrize("fault", ["changed", "missing"])
def test_a_fault_that_noise_may_have_made_is_not_the_firmwares(
    margin: float, severity: str, fault: str
) -> None:
    """A wrong character whose weakest bit stood 2.5 sigma out of the noise voids, one that stood 9 fails."""
    echoed = echo_of(SENT)
    if fault == "changed":
        echoed[2] = replace(echoed[2], value=0x65)
    else:
        del echoed[2]
    given = shot(SENT, echoed, back=replace(BACK, noise_v=0.5))
    margins = np.full(len(echoed), 20.0)
    margins[2] = margin
    characters = replace(given.from_target.characters, confidence=margins)
    document = judged(replace(given, from_target=replace(given.from_target, characters=characters)))
    assert finding(document, "noisy")["severity"] == severity
    assert verdicts(document)["content"] == ("fail" if severity == "warning" else "inconclusive/bench")


def test_short_pulses_are_named_and_excuse_what_they_may_have_spoilt() -> None:
    """Glitches beside a good echo leave it good; beside a lost one they are the likelier cause."""
    spiky = replace(LOOKS, glitches=3)
    good = judged(shot(SENT, echo_of(SENT), to=spiky, back=BACK))
    assert codes(good) == [("glitches", "bench", "to_target")]
    assert good["verdict"] == "pass"
    bad = judged(shot(SENT, echo_of(SENT)[1:], to=spiky, back=BACK))
    assert verdicts(bad)["content"] == "inconclusive/bench"


# -- the record ------------------------------------------------------------------------------------


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
