"""Findings about exchanged probes, bridges, crosstalk, open lines, clipping and zero."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.chain import judge
from service.pipeline.document import result_document
from service.pipeline.evidence import ReadShot
from service.pipeline.expectation import Expectation
from service.pipeline.findings import make_finding
from service.pipeline.trace import Shot
from tests.service.pipeline.builders import (
    LOOKS,
    T,
    echo_of,
    flat,
    line,
    shot,
    train,
)
from tests.service.pipeline.judging import BACK, FRAME, KNOWN, SENT, codes, finding, judged, verdicts


def test_exchanged_probes_are_named_and_the_roles_follow_the_traffic() -> None:
    """The line that spoke first is the PC's; the channel tells the truth; nothing is void."""
    document = judged(shot(echo_of(SENT), SENT))
    assert codes(document) == [("probes-exchanged", "bench", None)]
    assert document["lines"]["to_target"]["channel"] == "ch2"
    assert document["lines"]["from_target"]["channel"] == "ch1"
    assert document["verdict"] == "pass"
    assert [e["status"] for e in document["echoes"]] == ["ok"] * 6


def test_what_was_said_of_a_channel_before_goes_with_the_channel() -> None:
    """The acquisition spoke of the line that the stations file calls to-target: it is the other one."""
    given = [make_finding("instrument-error", "to_target", "the scope said so.", severity="info")]
    document = judged(shot(echo_of(SENT), SENT), given=given)
    assert finding(document, "instrument-error")["line"] == "from_target"


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


def _with_pulses(percent: float, per_bit: float) -> Shot:
    """A silent from-target line on which every edge of the other line leaves a dip of one sample or two."""
    source = line(SENT, replace(LOOKS, per_bit=per_bit), span=(-1e-4, 4e-3))
    times = source.trace.start_s + (np.arange(len(source.trace)) + 0.6) * source.trace.interval_s
    after = times[:, None] - source.edges.times_s[None, :]
    dips = np.where(after >= 0, np.exp(-np.maximum(after, 0) / (0.1 * T)), 0.0).max(axis=1)
    wave = 3.3 - 0.033 * percent * dips + np.random.default_rng(4).normal(0, 0.002, len(times))
    scale, zero = source.trace.volts_per_code, source.trace.volts_at_code_zero
    codes_ = np.clip(np.rint((wave - zero) / scale), -128, 127).astype(np.int8)
    return Shot(source.trace, replace(source.trace, codes=codes_, channel="ch2"), b"Tide 7")


@pytest.mark.parametrize("per_bit", [5.0, 7.0, 8.0])
@pytest.mark.parametrize("percent", [5.0, 7.0])
@pytest.mark.parametrize("known", [KNOWN, Expectation()])
def test_pulses_of_one_direction_on_a_silent_line_are_no_bridge(
    percent: float, per_bit: float, known: Expectation
) -> None:
    """They move when the other line moves, but hold nothing: the line is at rest and the firmware silent."""
    document = result_document(judge([_with_pulses(percent, per_bit)], known))
    found = [c for c, _, _ in codes(document)]
    assert "lines-bridged" not in found
    assert "echo-missing" in found
    assert document["lines"]["from_target"]["characters"] == []


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
