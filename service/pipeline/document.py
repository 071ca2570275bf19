"""The result document: a judgement as plain JSON types, as other people's scripts read it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from service.pipeline.arrays import distinct
from service.pipeline.characters import UNKNOWN
from service.pipeline.evidence import ROLES
from service.pipeline.latencies import edge_u
from service.pipeline.lines import Line
from service.pipeline.measurements import Measurement
from service.pipeline.readings import ERROR_WORDS, LineReading, Value
from service.pipeline.transitions import Transition
from service.pipeline.unmeasured import reason_of, reasons
from service.pipeline.verdict import Judgement

SCHEMA = 1


def result_document(judgement: Judgement) -> dict[str, Any]:
    """The document of an echo test: dict, list, str, int, float, bool and None only, every float finite."""
    lines = {role: _line(judgement, role) for role in ROLES}
    document = {
        "schema": SCHEMA,
        "verdict": judgement.verdict,
        "criteria": [_fields(c, _CRITERION) for c in judgement.criteria],
        "findings": [_fields(f, _FINDING) for f in judgement.findings],
        "lines": lines,
        "echoes": [
            _fields(e, _ECHO) | {"sent": _known(e.sent), "echoed": _known(e.echoed)} for e in judgement.echoes
        ],
        "measurements": [_measurement(m, lines) for m in judgement.measurements],
        "expected": _expected(judgement),
    }
    plain = _plain(document)
    assert isinstance(plain, dict)
    return plain


def _fields(record: object, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(record, name) for name in names}


_CRITERION = ("name", "verdict", "cause", "required", "because")
_FINDING = ("code", "side", "severity", "line", "message", "remedy", "evidence")
_ECHO = (
    "shot", "sent", "echoed", "status", "start_to_start_s", "stop_end_to_start_s", "sent_index", "echo_index",
    "judged",
)  # fmt: skip
_MEASUREMENT = (
    "name", "line", "value", "u", "u_record", "k", "unit", "definition", "limit", "verdict", "criterion",
)  # fmt: skip


def _measurement(measurement: Measurement, lines: Mapping[str, Any]) -> dict[str, Any]:
    """With the reason where there is no value."""
    bare = measurement.name.removeprefix(f"{measurement.line}.")
    unmeasured = lines[measurement.line]["unmeasured"] if measurement.line else {}
    why = reason_of(bare, unmeasured) if measurement.value is None else None
    return _fields(measurement, _MEASUREMENT) | {"unmeasured": why}


def _line(judgement: Judgement, role: str) -> dict[str, Any]:
    line = judgement.lines[role]
    named = {m.name: m for m in judgement.measurements}
    distortion = named[f"{role}.start_stop_distortion"]
    shown = {
        "channel": line.channel,
        "idle": None if line.idle_high is None else ("high" if line.idle_high else "low"),
        "baud": _value(line.baud),
        "bit_time": _value(line.bit_time),
        "frame": {"best": None if line.frame is None else str(line.frame), "possible": _possible(line)},
        "levels": {"low": _value(line.low), "high": _value(line.high)},
        "rise_time": _transition(line.rise),
        "fall_time": _transition(line.fall),
        "start_stop_distortion": None
        if distortion.value is None
        else {"value": distortion.value, "u": distortion.u, "u_record": distortion.u_record, "unit": "%"},
        "characters": [
            entry
            for number, shot in enumerate(judgement.shots)
            for entry in _characters(number, shot.line(role))
        ],
        "samples_per_bit": line.samples_per_bit,
        "noise_v": line.noise_v,
    }
    return shown | {"unmeasured": reasons(line, [s.line(role) for s in judgement.shots], shown)}


def _possible(line: Line) -> list[str]:
    return [str(f) for f in line.possible] or ([] if line.frame is None else [str(line.frame)])


def _value(value: Value | None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"value": value.value, "u": value.u, "u_record": value.u_record, "unit": value.unit}


def _transition(found: Transition | None) -> dict[str, Any] | None:
    return None if found is None else _value(found.value)


def _characters(shot: int, reading: LineReading) -> list[dict[str, Any]]:
    """One entry a character; `last_edge_s` and `edge_u_s` are what cursors need."""
    c, times = reading.characters, reading.edges.times_s
    seen = (c.last_edge >= 0) & (c.last_edge < len(times))
    last = np.where(
        seen, times[np.clip(c.last_edge, 0, max(len(times) - 1, 0))] if len(times) else np.nan, np.nan
    )
    words = {int(e): _words(int(e)) for e in distinct(c.errors)}
    u = edge_u(reading)
    columns = (c.start_s, c.end_s, c.values, c.errors, last)
    return [
        {
            "shot": shot,
            "start_s": start,
            "end_s": end,
            "value": _known(value),
            "errors": list(words[error]),
            "last_edge_s": last_s,
            "edge_u_s": u,
        }
        for start, end, value, error, last_s in zip(*(x.tolist() for x in columns), strict=True)
    ]


def _known(value: int | None) -> int | None:
    """None for a character whose beginning the record does not hold: it has no value to tell."""
    return None if value == UNKNOWN else value


def _words(errors: int) -> list[str]:
    return [word for bit, word in ERROR_WORDS.items() if errors & bit]


def _expected(judgement: Judgement) -> dict[str, Any]:
    """What was held against, for readers of the file; `assumed` names what nobody stated."""
    e = judgement.expectation
    return {
        "baud": e.baud,
        "frame": None if e.frame is None else str(e.frame),
        "logic": e.logic,
        "sent": None if e.sent is None else e.sent.hex(),
        "timebase_ppm": e.accuracy.timebase_ppm,
        "vertical_percent": e.accuracy.vertical_percent,
        "assumed": list(e.accuracy.assumed),
        "limits": {name: getattr(e.limits, name) for name in e.limits.__dataclass_fields__},
        "limit_sources": {
            name: e.limit_sources.get(name, "default") for name in e.limits.__dataclass_fields__
        },
        "notes": list(e.bench_notes),
    }


def _plain(thing: Any) -> Any:
    """Only JSON types; a number that is not finite is no measurement and becomes None."""
    if isinstance(thing, Mapping):
        return {str(k): _plain(v) for k, v in thing.items()}
    if isinstance(thing, (list, tuple)):
        return [_plain(v) for v in thing]
    if isinstance(thing, (np.generic, np.ndarray)):
        return _plain(thing.tolist())
    if isinstance(thing, float):
        return thing if math.isfinite(thing) else None
    if isinstance(thing, bytes):
        return thing.hex()
    if thing is None or isinstance(thing, (bool, int, str)):
        return thing
    return str(thing)
