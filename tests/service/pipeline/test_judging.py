"""From two traces to a result document, through all stages."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.pipeline.expectation import Expectation
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot, Trace
from tests.reference import Wire, boundaries, ramp, sampled, two_pole, volts
from tests.service.pipeline.two_lines import (
    BLIND,
    F8N1,
    KNOWN,
    TEXT,
    WIRE,
    bench,
    judged,
    said,
    values,
    verdict,
)


@pytest.mark.parametrize("expectation", [KNOWN, BLIND])
def test_a_good_bench_and_a_good_firmware(expectation: Expectation) -> None:
    """Everything right, with nominal settings and without any; rate, latency and levels within their
    uncertainty.
    """
    document = judged(bench(), expectation=expectation)
    assert document["verdict"] == "pass"
    assert said(document) == set()
    for role in ("to_target", "from_target"):
        line = document["lines"][role]
        assert values(document, role) == TEXT
        assert line["baud"]["value"] == pytest.approx(230_400, abs=line["baud"]["u_record"] * 2)
        assert line["levels"]["high"]["value"] == pytest.approx(3.3, abs=0.02)
        assert line["frame"]["best"] == "8N1"
    for echo in document["echoes"]:
        assert echo["stop_end_to_start_s"] == pytest.approx(6.6e-6, abs=2e-8)


@pytest.mark.parametrize("lost", [0, 7, 21])
def test_a_lost_character_is_found_whether_first_last_or_between(lost: int) -> None:
    """The rest keeps its partner."""
    answers: list[int | None] = list(TEXT)
    answers[lost] = None
    document = judged(bench(TEXT, answers))
    assert said(document) == {("echo-missing", "from_target")}
    assert [i for i, e in enumerate(document["echoes"]) if e["status"] == "missing"] == [lost]


def test_all_256_values_in_one_burst() -> None:
    """Full duplex, back to back."""
    document = judged(bench(range(256)))
    assert document["verdict"] == "pass"
    assert values(document, "from_target") == bytes(range(256))


@pytest.mark.parametrize(
    ("logic", "low", "high", "idle_high", "window"),
    [("1.8", 0.0, 1.8, True, 4.0), ("2.5", 0.0, 2.5, True, 5.0), ("5-ttl", 0.2, 3.6, True, 8.0),
     ("5-cmos", 0.0, 5.0, True, 10.0), ("3.3", 0.0, 3.3, False, 8.0), ("rs232", -9.0, 9.0, False, 40.0)],
)  # fmt: skip
def test_every_family_and_either_polarity_pass(
    logic: str, low: float, high: float, idle_high: bool, window: float
) -> None:
    """Real levels raise nothing."""
    wire = replace(WIRE, low_v=low, high_v=high, idle_high=idle_high, range_v=window)
    for expectation in (replace(KNOWN, logic=logic), BLIND):
        document = judged(bench(wire=wire), expectation=expectation)
        assert document["verdict"] == "pass", document["criteria"]
        assert said(document) == set()


@pytest.mark.parametrize(
    ("rate", "rates_verdict"),
    [(230_400 * 1.015, "pass"), (222_222.22, "fail"), (250_000, "fail"), (115_200, "fail"), (9600, "fail")],
)
def test_a_firmware_at_another_rate_is_told_its_rate_and_nothing_else(
    rate: float, rates_verdict: str
) -> None:
    """Dividers of the published table (-3.5 %, +8.5 %) and whole factors: one cause costs one criterion."""
    document = judged(bench(b"Tide 7", back_baud=rate, gap_s=3e-3 if rate < 20_000 else 1e-4))
    assert document["lines"]["from_target"]["baud"]["value"] == pytest.approx(rate, rel=1e-4)
    assert verdict(document, "rate") == rates_verdict
    assert verdict(document, "content") == "pass"
    assert said(document) == ({("rate-off", "from_target")} if rates_verdict == "fail" else set())


def test_both_lines_at_another_rate_than_stated_are_the_benchs() -> None:
    """A wrong --baud is no fault of the firmware."""
    document = judged(bench(b"Tide 7", baud=115_200.0))
    assert said(document) == {("rate-off", "to_target")}
    assert document["verdict"] == "inconclusive"
    assert verdict(document, "rate") == "inconclusive/bench"


def test_a_clipped_record() -> None:
    """A window of 3 V for 3.3 V: levels unknown, characters right."""
    document = judged(bench(wire=replace(WIRE, range_v=3.0)))
    assert said(document) == {("clipped", "to_target"), ("clipped", "from_target")}
    assert verdict(document, "content") == "pass"
    assert verdict(document, "levels") == "inconclusive/bench"


def test_ringing_of_70_percent_changes_nothing() -> None:
    """Two-pole step, damping 0.11: the characters are right and no device finding is raised."""
    document = judged(bench(wire=replace(WIRE, shape=two_pole(200e-9, 0.11))))
    assert document["verdict"] == "pass"


def test_a_shifted_zero() -> None:
    """1 V on both levels of both lines."""
    document = judged(bench(wire=replace(WIRE, low_v=1.0, high_v=4.3)))
    assert said(document) == {("zero-shifted", "to_target"), ("zero-shifted", "from_target")}
    assert verdict(document, "content") == "pass"


def test_a_wandering_zero_changes_nothing() -> None:
    """Half a volt of mains hum under both lines."""

    def hum(
        a: NDArray[np.float64], b: NDArray[np.float64], t: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        wave = 0.3 * np.sin(2 * np.pi * 50 * t)
        return a + wave, b + wave

    assert verdict(judged(bench(wire=replace(WIRE, range_v=12.0), change=hum)), "content") == "pass"


def test_a_firmware_that_falls_ever_further_behind_is_late_and_not_deaf() -> None:
    """The last echoes lie behind the end of the record: open, for the ones before them were late too."""
    payload = b"Tide 7"
    shot = bench(payload, [], tail_s=12e-3)
    late: list[float] = []
    for n, value in enumerate(payload[:4]):
        late += boundaries([value], 1 / 230_400, F8N1, (n + 1) * 3e-3)[0]
    back = shot.from_target
    times: NDArray[np.float64] = back.start_s + np.arange(len(back), dtype=np.float64) * back.interval_s
    slow = replace(sampled(volts(late, times, WIRE), WIRE, back.start_s), channel="ch2")
    document = judged(Shot(shot.to_target, slow))
    assert said(document) == {("echo-late", "from_target"), ("capture-cut", None)}
    assert verdict(document, "content") == "inconclusive/record"
    assert verdict(document, "timing") == "fail"


@pytest.mark.parametrize(("per_bit", "severity"), [(5.27, None), (4.33, "warning"), (2.6, "fail")])
def test_coarse_sampling(per_bit: float, severity: str | None) -> None:
    """Warned of below five samples a bit, refused below three. (At 4.3 all characters, ten bits long, lie
    alike among the samples, and the rate is known to 1.6 % only.)
    """
    wire = replace(WIRE, interval_s=1 / 230_400 / per_bit)
    document = judged(bench(wire=wire))
    found = {f["severity"] for f in document["findings"] if f["code"] == "too-few-samples"} - {"info"}
    assert found == ({severity} if severity else set())
    assert document["verdict"] == ("inconclusive" if severity == "fail" else "pass")


@pytest.mark.parametrize(("lead_s", "tail_s"), [(-1.2e-5, 2.5e-3), (2e-4, -2e-5)])
def test_a_record_cut_in_the_traffic(lead_s: float, tail_s: float) -> None:
    """What was cut off is not judged, and no fault is made of it."""
    document = judged(bench(lead_s=lead_s, tail_s=tail_s))
    assert {code for code, _ in said(document)} == {"capture-cut"}
    assert verdict(document, "content") == "inconclusive/record"


@pytest.mark.parametrize("payload", [[0], [0] * 4, [0xFF] * 3])
def test_one_length_of_pulse_tells_no_rate(payload: list[int]) -> None:
    """0x00 only: the rate is open, said so, and nothing fails by a guess."""
    document = judged(bench(payload, gap_s=1e-4), expectation=BLIND)
    assert ("rate-ambiguous", "to_target") in said(document)
    assert document["verdict"] == "inconclusive"
    assert not [f for f in document["findings"] if f["side"] == "device"]


def test_a_flat_record_and_a_noisy_one_raise_nothing_but_findings() -> None:
    """Nothing connected, noise only, one sample: each judged as nothing."""
    noise = replace(WIRE, noise_v=0.05)
    assert said(judged(bench([], [], wire=noise))) == {("no-activity", "to_target")}
    one = Trace(np.zeros(1, dtype=np.int8), 0.04, 0.0, 1e-8, 0.0)
    assert judged(Shot(one, one))["verdict"] == "inconclusive"
    none = Trace(np.zeros(0, dtype=np.int8), 0.04, 0.0, 1e-8, 0.0)
    assert judged(Shot(none, none))["verdict"] == "inconclusive"


def test_several_shots_are_one_result() -> None:
    """Characters and echoes carry their shot; the rate is pooled."""
    document = judged(bench(b"Tide"), bench(b" 7, "), bench(b"Harb"))
    assert document["verdict"] == "pass"
    assert values(document, "from_target") == b"Tide 7, Harb"
    assert [e["shot"] for e in document["echoes"]] == [0] * 4 + [1] * 4 + [2] * 4


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int16, np.int8, np.uint8])
def test_a_drawn_line_of_exactly_two_values_is_a_line(dtype: Any) -> None:
    """No noise, no slope, no grid of a converter: as scripts make them, in floats and in integers."""
    drawn = bench(b"Tide 7", wire=Wire(shape=ramp(0.0), interval_s=1e-7))

    def two_valued(trace: Trace) -> Trace:
        high = trace.volts() > 1.65
        if np.dtype(dtype).kind == "f":
            return Trace(np.where(high, 3.3, 0.0).astype(dtype), 1.0, 0.0, trace.interval_s, trace.start_s)
        return Trace(np.where(high, 100, 0).astype(dtype), 0.033, 0.0, trace.interval_s, trace.start_s)

    document = judged(Shot(two_valued(drawn.to_target), two_valued(drawn.from_target)), expectation=BLIND)
    assert values(document, "from_target") == b"Tide 7"
    assert document["verdict"] == "pass"


def test_a_payload_that_was_lost_on_the_way_is_said() -> None:
    """--sent against the line."""
    document = judged(bench(b"Tide"), expectation=replace(KNOWN, sent=b"Tide 7"))
    assert said(document) == {("stimulus-differs", "to_target")}
    assert document["verdict"] == "pass"


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.binary(min_size=1, max_size=12), st.integers(0, 11), st.booleans())
def test_any_payload_with_any_character_lost(payload: bytes, lost: int, whole: bool) -> None:
    """The content passes when all came back and fails when one was lost, with that one missing."""
    answers: list[int | None] = list(payload)
    if not whole:
        answers[lost % len(payload)] = None
    document = judged(bench(payload, answers, wire=replace(WIRE, interval_s=1e-7), tail_s=2.2e-3))
    missing = [e for e in document["echoes"] if e["status"] == "missing"]
    assert len(missing) == (not whole)
    assert verdict(document, "content") == ("pass" if whole else "fail")
    assert document["verdict"] in (("pass", "inconclusive") if whole else ("fail",))


def _rubbish(seed: int, points: int, kind: str, dtype: Any) -> Trace:
    """A line of random noise, random pulses, a random walk, or one value."""
    rng = np.random.default_rng(seed)
    if kind == "noise":
        wave = rng.normal(0, 40, points)
    elif kind == "pulses":
        lengths = rng.integers(1, 200, points // 20 + 2)
        wave = np.repeat(np.where(np.arange(len(lengths)) % 2, 60.0, -60.0), lengths)[:points]
    elif kind == "walk":
        wave = np.cumsum(rng.normal(0, 3, points))
    else:
        wave = np.full(points, float(rng.integers(-100, 100)))
    codes = np.clip(wave, -128, 127) + (128 if np.dtype(dtype).kind == "u" else 0)
    return Trace(codes.astype(dtype), 0.04, 1.6, 2e-8, -1e-5, channel="ch1")


@settings(derandomize=True, max_examples=50, deadline=None)
@given(
    st.tuples(
        st.integers(0, 1 << 30), st.integers(0, 6000), st.sampled_from(["noise", "pulses", "walk", "one"])
    ),
    st.tuples(
        st.integers(0, 1 << 30), st.integers(0, 6000), st.sampled_from(["noise", "pulses", "walk", "one"])
    ),
    st.sampled_from([np.int8, np.uint8, np.int16, np.float32, np.float64]),
    st.sampled_from(
        [KNOWN, BLIND, Expectation(baud=9600.0), Expectation(frame=FrameFormat(7, "E", 2), logic="rs232")]
    ),
)
def test_no_record_is_so_odd_that_it_raises(
    to: tuple[int, int, str], back: tuple[int, int, str], dtype: Any, expectation: Expectation
) -> None:
    """Noise, pulses of any length, wandering, constants, nothing: always a document, always JSON."""
    document = judged(Shot(_rubbish(*to, dtype), _rubbish(*back, dtype), sent=b"x"), expectation=expectation)
    assert document["verdict"] in ("pass", "fail", "inconclusive")
