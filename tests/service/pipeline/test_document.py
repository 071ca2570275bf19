"""The result document: exactly the keys that others rely on, always all of them, always JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from service.pipeline.chain import judge_readings
from service.pipeline.document import result_document
from service.pipeline.evidence import ReadShot
from service.pipeline.expectation import CRITERIA, Expectation
from service.pipeline.readings import CUT
from tests.service.pipeline.builders import LOOKS, Said, T, echo_of, flat, line, shot, train
from tests.service.pipeline.judging import KNOWN

SENT = train(b"Tide 7")
SPAN = (-1e-4, 4e-3)
LINE_KEYS = {
    "channel",
    "idle",
    "baud",
    "bit_time",
    "frame",
    "levels",
    "rise_time",
    "fall_time",
    "start_stop_distortion",
    "characters",
}
VALUE_KEYS = {"value", "u", "u_record", "unit"}

CASES: dict[str, ReadShot] = {
    "good": shot(SENT, echo_of(SENT)),
    "slow edges": shot(SENT, echo_of(SENT), to=replace(LOOKS, rise_s=1.2e-6)),
    "silent": shot(SENT, []),
    "undriven": ReadShot(line(SENT, span=SPAN), flat(0.0, span=SPAN)),
    "nothing at all": ReadShot(flat(3.3, span=SPAN), flat(3.3, span=SPAN)),
    "answers only": ReadShot(flat(3.3, span=SPAN), line(SENT, span=SPAN)),
    "bridged": shot(SENT, SENT),
    "exchanged": shot(echo_of(SENT), SENT),
    "cut": shot(SENT, [*echo_of(SENT)[:-1], Said(0, 7 * 10 * T, CUT)]),
    "coarse": shot(SENT, echo_of(SENT), to=replace(LOOKS, per_bit=2.5)),
    "clipped": shot(SENT, echo_of(SENT), to=replace(LOOKS, clipped_high=True, clipped_low=True)),
}


def numbers(thing: Any) -> list[float]:
    """All numbers in a document."""
    if isinstance(thing, dict):
        return [n for v in thing.values() for n in numbers(v)]
    if isinstance(thing, list):
        return [n for v in thing for n in numbers(v)]
    return [thing] if isinstance(thing, (int, float)) and not isinstance(thing, bool) else []


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("expectation", [KNOWN, Expectation()])
def test_both_lines_always_have_all_keys_and_every_number_is_finite(
    case: str, expectation: Expectation
) -> None:
    """Whatever was on the lines: the same shape, JSON types only, no NaN."""
    document = result_document(judge_readings([CASES[case]], expectation))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert set(document) >= {"schema", "verdict", "criteria", "findings", "lines", "echoes", "measurements"}
    assert document["schema"] == 1
    assert document["verdict"] in ("pass", "fail", "inconclusive")
    assert [c["name"] for c in document["criteria"]] == list(CRITERIA)
    assert set(document["lines"]) == {"to_target", "from_target"}
    for found in document["lines"].values():
        assert set(found) >= LINE_KEYS
        assert set(found["frame"]) == {"best", "possible"}
        assert set(found["levels"]) == {"low", "high"}
        assert found["idle"] in ("high", "low", None)
        values = [
            *found["levels"].values(),
            *(found[k] for k in ("baud", "bit_time", "rise_time", "fall_time")),
        ]
        for value in (*values, found["start_stop_distortion"]):
            assert value is None or set(value) == VALUE_KEYS
    assert all(math.isfinite(n) for n in numbers(document))


@pytest.mark.parametrize("case", CASES)
def test_every_null_has_a_finding_that_says_why(case: str) -> None:
    """A quantity that could not be measured honestly is null, and the document says why."""
    document = result_document(judge_readings([CASES[case]], KNOWN))
    named = {f["line"] for f in document["findings"]}
    for role, found in document["lines"].items():
        nulls = [k for k in LINE_KEYS if found[k] is None] + [
            k for k, v in found["levels"].items() if v is None
        ]
        if nulls:
            assert {role, None} & named or "no-activity" in {f["code"] for f in document["findings"]}, nulls


def test_the_entries_of_lists_have_their_keys() -> None:
    """Criteria, findings, characters, echoes, measurements as published, additions behind them."""
    echoed = echo_of(SENT)
    del echoed[3]
    document = result_document(judge_readings([shot(SENT, echoed)], KNOWN))
    assert set(document["criteria"][0]) == {"name", "verdict", "cause", "required", "because"}
    finding = {"code", "side", "severity", "line", "message", "remedy", "evidence"}
    assert all(set(f) == finding for f in document["findings"])
    character = document["lines"]["to_target"]["characters"][0]
    assert set(character) >= {"shot", "start_s", "end_s", "value", "errors"}
    echo = {"shot", "sent", "echoed", "status", "start_to_start_s", "stop_end_to_start_s"}
    assert all(set(e) >= echo for e in document["echoes"])
    lost = document["echoes"][3]
    assert (lost["status"], lost["sent"], lost["echoed"]) == ("missing", ord("e"), None)
    assert lost["start_to_start_s"] is lost["stop_end_to_start_s"] is None
    row = {"name", "value", "u", "k", "unit", "definition", "limit", "verdict"}
    assert all(set(m) >= row for m in document["measurements"])


def test_characters_stand_on_the_captures_own_time_axis() -> None:
    """start_s is the start edge, end_s the end of the last stop bit, ten bit times later for 8N1."""
    characters = result_document(judge_readings([shot(SENT, echo_of(SENT))], KNOWN))["lines"]["to_target"][
        "characters"
    ]
    for n, c in enumerate(characters):
        assert c["start_s"] == pytest.approx(n * 10 * T)
        assert c["end_s"] == pytest.approx((n + 1) * 10 * T)
        assert c["value"] == b"Tide 7"[n]
        assert c["errors"] == []


def test_no_shots_at_all_are_judged_as_nothing() -> None:
    """An empty test is void, not an error."""
    document = result_document(judge_readings([], KNOWN))
    assert document["verdict"] == "inconclusive"
    assert [f["code"] for f in document["findings"]] == ["no-activity"]


NULLS: tuple[tuple[str, ReadShot], ...] = (
    ("silent", shot(SENT, [])),
    ("both silent", shot([], [])),
    ("clipped", shot(SENT, echo_of(SENT), back=replace(LOOKS, clipped_high=True))),
    ("too coarse", shot(SENT, echo_of(SENT), to=replace(LOOKS, per_bit=2.0))),
)


@pytest.mark.parametrize("lines", [pytest.param(s, id=name) for name, s in NULLS])
def test_every_null_of_a_line_says_why(lines: ReadShot) -> None:
    """And nothing that was measured makes excuses."""
    for found in result_document(judge_readings([lines], KNOWN))["lines"].values():
        null = {k for k, v in found.items() if v is None} | {
            k for k, v in found["levels"].items() if v is None
        }
        null |= set() if found["frame"]["best"] else {"frame"}
        assert set(found["unmeasured"]) == null
        assert all(found["unmeasured"].values())


@pytest.mark.parametrize("known", [KNOWN, Expectation()])
@pytest.mark.parametrize("lines", [pytest.param([s], id=name) for name, s in NULLS] + [[]])
def test_every_measurement_without_a_value_says_why(lines: list[ReadShot], known: Expectation) -> None:
    """A value or a reason, never both."""
    for row in result_document(judge_readings(lines, known))["measurements"]:
        assert bool(row["unmeasured"]) == (row["value"] is None), row["name"]


def test_the_reasons_are_those_of_the_line_and_of_what_nobody_stated() -> None:
    """At rest, without a level, without a family, without an echo: four reasons, not one."""
    document = result_document(judge_readings([shot(SENT, [])], Expectation()))
    why = {row["name"]: row["unmeasured"] for row in document["measurements"]}
    assert "at rest" in why["from_target.bit_time"]
    assert "at rest" in why["from_target.bias_distortion"]
    assert "the other was never seen" in why["from_target.swing"]
    assert "no nominal one was stated" in why["to_target.rate_deviation"]
    assert "no echo" in why["latency_max"]
