"""What somebody who only knows the contract tried on saved captures, kept as promises.

Waveforms are closed forms of tests/reference.py; expected outcomes follow from the rule of fairness.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from service.files.csv_trace import parse_csv
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot, Trace
from service.report import render_report
from service.report.meta import ReportMeta
from service.report.text import text_page
from tests.reference import one_pole
from tests.service.pipeline.two_lines import BLIND, KNOWN, WIRE, bench, judged, said, values, verdict

TEXT = b"Tide 7!\x00\xffUZ"
BAUD = 230_400.0


@pytest.mark.parametrize("percent", [6, 8, 10, 15, 50])
def test_a_pc_that_speaks_too_fast_is_named_and_fails_nobody(percent: float) -> None:
    """The receiver margin is 5.26 % (0.5 of 9.5 bits); beyond it characters still read as they were sent."""
    document = judged(
        bench(TEXT, baud=BAUD * (1 + percent / 100), back_baud=BAUD, gap_s=1e-4), expectation=KNOWN
    )
    assert ("rate-off", "to_target") in said(document)
    assert document["verdict"] != "fail"
    assert values(document, "to_target") == TEXT
    rate = document["lines"]["to_target"]["baud"]
    assert rate["value"] == pytest.approx(BAUD * (1 + percent / 100), rel=1e-3)


@pytest.mark.parametrize("percent", [6, 10, 15])
def test_a_firmware_that_speaks_too_fast_fails_by_its_rate_alone(percent: float) -> None:
    """Not by characters that a decoder at the nominal rate would make of it."""
    document = judged(bench(TEXT, back_baud=BAUD * (1 + percent / 100), gap_s=1e-4))
    assert said(document) == {("rate-off", "from_target")}
    assert verdict(document, "rate") == "fail"
    assert verdict(document, "content") == "pass"


UPSIDE_DOWN = replace(WIRE, low_v=3.28, high_v=0.02)
"""Rests low, starts high."""


def test_an_output_that_stands_on_its_head_fails_by_framing() -> None:
    """A receiver of the family takes rest for start bits, however well the record decodes."""
    for expectation in (KNOWN, BLIND):
        document = judged(bench(TEXT, back=UPSIDE_DOWN), expectation=expectation)
        assert ("line-inverted", "from_target") in said(document)
        assert verdict(document, "framing") == "fail"
        assert document["verdict"] == "fail"
        assert document["lines"]["from_target"]["idle"] == "low"


def test_a_pc_that_stands_on_its_head_is_the_bench_s_matter() -> None:
    """A bench on which both lines do is only told so: the firmware answers as it is spoken to."""
    alone = judged(bench(TEXT, wire=UPSIDE_DOWN, back=WIRE))
    both = judged(bench(TEXT, wire=UPSIDE_DOWN, back=UPSIDE_DOWN))
    for document, severity in ((alone, "fail"), (both, "info")):
        found = [f for f in document["findings"] if f["code"] == "line-inverted"]
        assert [(f["line"], f["side"], f["severity"]) for f in found] == [("to_target", "bench", severity)]
        assert document["verdict"] == "pass"


def test_a_channel_that_is_set_to_inverted_is_named_and_its_levels_not_judged() -> None:
    """Volts below zero are no output's doing: levels of 3.3 V logic with the sign turned."""
    shot = bench(TEXT, change=lambda a, b, _: (a, -b), wire=replace(WIRE, range_v=12.0))
    document = judged(shot)
    assert said(document) == {("channel-inverted", "from_target")}
    assert verdict(document, "levels") == "inconclusive/bench"
    assert verdict(document, "content") == "pass"


def test_an_rs232_line_on_its_head_may_be_the_scope_s_doing() -> None:
    """Plus and minus 7 V are in order either way up (TIA-232-F), so nobody is failed for it."""
    wire = replace(WIRE, low_v=7.0, high_v=-7.0, range_v=20.0)
    document = judged(
        bench(TEXT, wire=wire, change=lambda a, b, _: (a, -b)), expectation=replace(KNOWN, logic="rs232")
    )
    assert said(document) == {("channel-inverted", "from_target")}
    assert document["verdict"] == "inconclusive"
    upright = judged(bench(TEXT, wire=wire), expectation=replace(KNOWN, logic="rs232"))
    assert said(upright) == set()


@pytest.mark.parametrize("bits", [0.2, 3.0, 5.0, 8.0])
def test_a_copy_that_comes_before_its_character_is_over_is_a_bridge(bits: float) -> None:
    """An answer cannot start before the stop bit can have been seen: 9.5 bits after the start of 8N1."""
    document = judged(bench(TEXT, delay_s=(bits - 10) / BAUD, gap_s=1e-4))
    assert said(document) == {("lines-bridged", "from_target")}
    assert document["verdict"] == "inconclusive"


@pytest.mark.parametrize("percent", [2, 3, 4, 12])
def test_a_faint_copy_on_a_line_that_rests_excuses_no_silence(percent: float) -> None:
    """Crosstalk on a line that holds its idle level leaves `echo-missing` a failure, named or not."""

    def copied(to: NDArray[np.float64], back: NDArray[np.float64], _: object) -> tuple[Any, Any]:
        return to, back + (to - 3.3) * percent / 100

    quiet = replace(WIRE, noise_v=0.008, range_v=5.0)
    document = judged(bench(TEXT, [None] * len(TEXT), wire=quiet, change=copied, gap_s=1e-4))
    assert ("echo-missing", "from_target") in said(document)
    assert document["verdict"] == "fail"
    assert ("lines-bridged", "from_target") not in said(document)


def as_text(shot: Shot) -> Shot:
    """The shot as a text file keeps it: volts without the converter's ends."""
    rows = [line.volts() for line in (shot.to_target, shot.from_target)]
    times = shot.to_target.start_s + np.arange(len(rows[0])) * shot.to_target.interval_s
    lines = [f"{t:.9g},{a:.6g},{b:.6g}" for t, a, b in zip(times, *rows, strict=True)]
    table = parse_csv("\n".join(["time_s,ch1_v,ch2_v", *lines]).encode())
    return Shot(table.trace("ch1"), table.trace("ch2"))


@pytest.mark.parametrize(("low", "high"), [(-9.0, 2.9), (0.5, 9.0)])
def test_a_text_file_that_was_cut_off_at_one_end_is_called_clipped(low: float, high: float) -> None:
    """One state flickers by three codes and more, the other one never does: no noise spares one state."""
    quiet = replace(WIRE, noise_v=0.03, range_v=5.0, interval_s=100e-9)
    whole = bench(TEXT, wire=quiet, tail_s=3e-4)
    cut = Trace(np.clip(whole.from_target.volts(), low, high), 1.0, 0.0, 100e-9, whole.from_target.start_s)
    document = judged(as_text(replace(whole, from_target=cut)))
    assert said(document) == {("clipped", "from_target")}
    assert verdict(document, "levels") == "inconclusive/bench"


@pytest.mark.parametrize("noise_v", [0.0, 0.002, 0.005, 0.008, 0.02, 0.1])
def test_a_text_file_with_any_noise_is_not_called_clipped(noise_v: float) -> None:
    """Not with a state on a code's edge and the other one in its middle either."""
    for offset in (0.0, 0.25, 0.5):
        line = replace(WIRE, noise_v=noise_v, range_v=5.0, interval_s=200e-9, high_v=3.3 + offset * 5 / 256)
        shot = as_text(bench(TEXT, wire=line, tail_s=3e-4))
        for trace in (shot.to_target, shot.from_target):
            assert (trace.code_min, trace.code_max) == (None, None)


def test_levels_that_are_wrong_alike_on_both_lines_fail_nobody() -> None:
    """A scope that shows a third too little, or a family that was stated wrong: no device is to blame."""
    for logic, high in (("3.3", 1.8), ("5-cmos", 3.3), ("2.5", 3.3)):
        wire = replace(WIRE, high_v=high)
        document = judged(bench(TEXT, wire=wire), expectation=replace(KNOWN, logic=logic))
        assert said(document) == {("level-out-of-limits", "to_target")}
        assert verdict(document, "levels") == "inconclusive/bench"


def test_a_weak_output_fails_beside_a_pc_that_is_off_in_another_way() -> None:
    """A PC with 5 V on a 3.3 V board does not excuse an output that only reaches 1.8 V."""
    wire = replace(WIRE, range_v=12.0)
    document = judged(bench(TEXT, wire=replace(wire, high_v=5.0), back=replace(wire, high_v=1.8)))
    assert said(document) == {("level-out-of-limits", "to_target"), ("level-out-of-limits", "from_target")}
    assert verdict(document, "levels") == "fail"


def test_a_format_that_neither_side_speaks_fails_nobody() -> None:
    """Both speak 8N1 where 7E1 is stated: the statement is wrong, or the PC's setting."""
    stated = replace(KNOWN, frame=FrameFormat(7, "E", 1))
    document = judged(bench(b"Harbour Street 7"), expectation=stated)
    assert said(document) == {("parity-error", "to_target")}
    assert verdict(document, "framing") == "inconclusive/bench"


def test_edges_that_are_slow_on_both_lines_fail_nobody() -> None:
    """A scope with its bandwidth limit on, or ten-metre leads, slows both alike."""
    document = judged(bench(TEXT, wire=replace(WIRE, shape=one_pole(1.5e-6), reach_s=1.5e-5)))
    assert {code for code, _ in said(document)} == {"slow-edge"}
    assert {line for _, line in said(document)} == {"to_target"}
    assert verdict(document, "edges") == "inconclusive/bench"


def test_a_shifted_ttl_line_is_told_by_the_other_one() -> None:
    """TTL outputs reach what they reach (2.4 V to 5 V), so the family alone does not show the shift."""
    wire = replace(WIRE, low_v=0.1, high_v=3.6, range_v=12.0)
    shot = bench(TEXT, wire=wire, change=lambda a, b, _: (a, b + 0.9))
    document = judged(shot, expectation=replace(KNOWN, logic="5-ttl"))
    assert said(document) == {("zero-shifted", "from_target")}
    assert verdict(document, "levels") == "inconclusive/bench"
    weak = bench(TEXT, wire=wire, back=replace(wire, low_v=1.0))
    assert said(judged(weak, expectation=replace(KNOWN, logic="5-ttl"))) == {
        ("level-out-of-limits", "from_target")
    }


def test_a_line_sampled_too_coarsely_to_be_read_is_not_called_dead() -> None:
    """One and a half samples a bit: the probe is where it should be, the sample interval is not."""
    document = judged(bench(TEXT, wire=replace(WIRE, interval_s=1 / (1.5 * BAUD))))
    assert ("too-few-samples", "to_target") in said(document)
    assert ("no-activity", "to_target") not in said(document)
    assert document["verdict"] == "inconclusive"


def test_a_character_whose_beginning_was_not_recorded_has_no_value() -> None:
    """It is there, with `cut`, and null where a value would be a guess."""
    shot = bench(TEXT, gap_s=2e-5)
    late = int(8.49e-4 / shot.to_target.interval_s)
    to, back = (
        replace(t, codes=t.codes[late:], start_s=t.start_s + late * t.interval_s)
        for t in (shot.to_target, shot.from_target)
    )
    document = judged(Shot(to, back))
    heads = [document["lines"][role]["characters"][0] for role in ("to_target", "from_target")]
    assert [c["errors"] for c in heads] == [["cut"], ["cut"]]
    assert [c["value"] for c in heads] == [None, None]
    page = text_page(document, "cut")
    assert "?" in page
    assert "-1" not in page
    assert "cut off" in render_report(document, [Shot(to, back)], ReportMeta(title="cut"))


def test_two_probes_on_one_square_wave_fail_nobody() -> None:
    """Both left on the scope's reference terminal, 1 kHz: breaks at this rate, on either line at once."""

    def square(_to: object, _back: object, times: NDArray[np.float64]) -> tuple[Any, Any]:
        wave = np.where(np.sin(2 * np.pi * 1000 * times) > 0, 3.3, 0.0)
        return wave, wave

    document = judged(bench(TEXT, change=square, tail_s=8e-3))
    assert {f["side"] for f in document["findings"]} == {"bench"}
    assert ("lines-bridged", "from_target") in said(document)
    assert document["verdict"] == "inconclusive"


def test_a_break_of_the_pc_s_excuses_one_of_the_firmware_s() -> None:
    """Who was spoken to in breaks may answer in them."""

    def held(
        to: NDArray[np.float64], back: NDArray[np.float64], times: NDArray[np.float64]
    ) -> tuple[Any, Any]:
        end = times[-1]
        low = (times > end - 1.5e-3) & (times < end - 1.3e-3)
        late = (times > end - 1.0e-3) & (times < end - 0.8e-3)
        return np.where(low, 0.0, to), np.where(late, 0.0, back)

    document = judged(bench(TEXT, change=held))
    assert ("break", "to_target") in said(document)
    assert verdict(document, "framing") == "inconclusive/bench"
    assert verdict(document, "content") == "pass"
