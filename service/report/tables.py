"""A result document as rows of words, for the page and the terminal alike. Worst first, by explicit rank."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.pipeline.numbers import NOT_MEASURED, with_uncertainty
from service.report.marks import printable, spoken
from service.report.words import (
    Status,
    character_words,
    evidence_words,
    limit_words,
    measured,
    role_words,
    setting_name,
    status,
    time_words,
    words_of,
)

Document = Mapping[str, Any]


@dataclass(frozen=True)
class CriterionRow:
    name: str
    status: Status
    required: bool
    cause: str
    because: str


@dataclass(frozen=True)
class FindingRow:
    code: str
    severity: str
    side: str
    line: str
    message: str
    remedy: str
    evidence: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class EchoRow:
    number: int
    shot: int
    sent: str
    echoed: str
    status: str
    ok: bool
    start_to_start: str
    stop_end_to_start: str


@dataclass(frozen=True)
class MeasurementCell:
    """A value and how it was judged."""

    value: str
    status: Status


@dataclass(frozen=True)
class MeasurementRow:
    """One measurement of both lines, or of neither in particular (`both`)."""

    name: str
    definitions: tuple[str, ...]
    limits: tuple[str, ...]
    to_target: MeasurementCell | None = None
    from_target: MeasurementCell | None = None
    both: MeasurementCell | None = None


@dataclass(frozen=True)
class LineRow:
    """One quantity of both lines."""

    name: str
    to_target: str
    from_target: str


def verdict(document: Document) -> Status:
    """The overall verdict as shape and word."""
    return status(document["verdict"])


def verdict_sentence(document: Document) -> str:
    """What the verdict means, and which criteria decided it."""
    deciding = [
        c["name"]
        for c in document["criteria"]
        if c["required"] and c["verdict"] == document["verdict"] and c["verdict"] != "pass"
    ]
    sentence = VERDICT_SENTENCES[document["verdict"]]
    return sentence + (f" Decided by: {', '.join(deciding)}." if deciding else "")


def criteria_rows(document: Document) -> list[CriterionRow]:
    """In the document's order: it is the order of reasoning."""
    return [
        CriterionRow(
            name=printable(str(c["name"])),
            status=status(c["verdict"]),
            required=bool(c["required"]),
            cause=CAUSES.get(c["cause"], printable(str(c["cause"]))),
            because=printable(str(c["because"])),
        )
        for c in document["criteria"]
    ]


def finding_rows(document: Document) -> list[FindingRow]:
    """Failures first, then warnings, then remarks."""
    ranked = sorted(document["findings"], key=lambda f: SEVERITY_RANK.get(f["severity"], 0))
    return [
        FindingRow(
            code=printable(str(f["code"])),
            severity=printable(str(f["severity"])),
            side=printable(str(f["side"])),
            line=role_words(f.get("line")),
            message=printable(str(f["message"])),
            remedy=printable(str(f.get("remedy") or "")),
            evidence=tuple(
                (setting_name(str(k)), printable(evidence_words(v, str(k))))
                for k, v in f.get("evidence", {}).items()
            ),
        )
        for f in ranked
    ]


def echo_rows(document: Document) -> list[EchoRow]:
    """In order of sending, numbered from 1."""
    return [
        EchoRow(
            number=i + 1,
            shot=int(e["shot"]) + 1,
            sent=_character_of(e, "sent", "sent_index"),
            echoed=_character_of(e, "echoed", "echo_index"),
            status=printable(str(e["status"])),
            ok=e["status"] == "ok",
            start_to_start=time_words(e["start_to_start_s"]),
            stop_end_to_start=time_words(e["stop_end_to_start_s"]),
        )
        for i, e in enumerate(document["echoes"])
    ]


def _character_of(echo: Mapping[str, Any], value: str, index: str) -> str:
    """One whose beginning is not on record has a place, but no value."""
    cut = echo[value] is None and echo.get(index) is not None
    return spoken(None) if cut else character_words(echo[value])


def measurement_rows(document: Document) -> list[MeasurementRow]:
    """In the document's order, both lines side by side, each with definition and limit."""
    named: dict[str, list[Mapping[str, Any]]] = {}
    for measurement in document["measurements"]:
        named.setdefault(_bare_name(measurement), []).append(measurement)
    return [_measurement_row(name, found) for name, found in named.items()]


def _measurement_row(name: str, found: Sequence[Mapping[str, Any]]) -> MeasurementRow:
    cells = {m.get("line") or "both": _cell(m) for m in found}
    definitions = _distinct(found, lambda m: printable(str(m["definition"])))
    limits = _distinct(found, lambda m: limit_words(m.get("limit") or {}, m["unit"]))
    return MeasurementRow(printable(words_of(name)), definitions, limits, **cells)


def _cell(measurement: Mapping[str, Any]) -> MeasurementCell:
    value = with_uncertainty(measurement["value"], measurement["u"], measurement["unit"])
    return MeasurementCell(value, status(measurement["verdict"]))


def _distinct(
    found: Sequence[Mapping[str, Any]], told: Callable[[Mapping[str, Any]], str]
) -> tuple[str, ...]:
    """What is told of the lines, once where they agree, else each with the name of its line."""
    words = {role_words(m.get("line")): told(m) for m in found}
    if len(set(words.values())) == 1:
        return tuple(filter(None, set(words.values())))
    return tuple(f"{line}: {text}" for line, text in words.items() if text)


def line_rows(document: Document, *, brief: bool = False) -> list[LineRow]:
    """Both lines side by side; `brief` leaves out what the record alone gives, for narrow pages."""
    lines = [document["lines"][role] for role in ROLES]
    rows = [LineRow(name, *(told(line, not brief) for line in lines)) for name, told in LINE_QUANTITIES]
    frames = [LineRow(name, *(_span(document, role, key) for role in ROLES)) for name, key in FRAME_TIMES]
    return rows[:AFTER_RATE] + frames + rows[AFTER_RATE:]


def latency(document: Document) -> str:
    """From the end of the stop bit to the start of the echo: shortest to longest, and the limit."""
    shortest, longest = (_measurement(document, f"latency_{which}") for which in ("min", "max"))
    if longest is None or longest["value"] is None:
        return NOT_MEASURED
    words = with_uncertainty(longest["value"], longest["u"], longest["unit"])
    if shortest is not None and shortest["value"] is not None:
        words = f"{with_uncertainty(shortest['value'], shortest['u'], shortest['unit'])} to {words}"
    limit = limit_words(longest.get("limit") or {}, longest["unit"])
    return words + (f" (limit: {limit})" if limit else "")


def _span(document: Document, role: str, key: str) -> str:
    """An interval of one character, with the number of bit times that it holds."""
    found = _measurement(document, f"{role}.{key}")
    if found is None or found["value"] is None:
        return NOT_MEASURED
    words = with_uncertainty(found["value"], found["u"], found["unit"])
    bit = (document["lines"][role]["bit_time"] or {}).get("value")
    return f"{words} ({round(2 * found['value'] / bit) / 2:g} bits)" if bit else words


def _measurement(document: Document, name: str) -> Mapping[str, Any] | None:
    return next((m for m in document["measurements"] if m["name"] == name), None)


def sent_and_echoed(document: Document) -> tuple[list[int | None], list[int | None]]:
    """Values on the wires, in order of time: what the to-target and the from-target line carried."""
    lines = document["lines"]
    to_target, from_target = ([c["value"] for c in lines[role]["characters"]] for role in ROLES)
    return to_target, from_target


def echo_counts(document: Document) -> dict[str, int]:
    """How many echoes have each status, only those that occur; "ok" first."""
    found = [e["status"] for e in document["echoes"]]
    return {s: found.count(s) for s in sorted(set(found), key=lambda s: (s != "ok", s))}


def _bare_name(measurement: Mapping[str, Any]) -> str:
    """`to_target.bit_time` without its line, which stands in a column of its own."""
    return str(measurement["name"]).removeprefix(f"{measurement.get('line')}.")


def _frames(line: Mapping[str, Any]) -> str:
    frame = line["frame"]
    if not frame["best"]:
        return NOT_MEASURED
    others = [str(f) for f in frame["possible"] if f != frame["best"]]
    also = f" (the record also allows {', '.join(others)})" if others else ""
    return printable(f"{frame['best']}{also}")


def _flawed(line: Mapping[str, Any]) -> str:
    characters = line["characters"]
    flawed = [c for c in characters if c["errors"]]
    kinds = sorted({e for c in flawed for e in c["errors"]})
    return f"{len(characters)}" + (f", {len(flawed)} with errors ({', '.join(kinds)})" if flawed else "")


ROLES = ("to_target", "from_target")

VERDICT_SENTENCES = {
    "pass": "Everything that is required was measured and is as it should be.",
    "fail": "At least one thing that is required is not as it should be.",
    "inconclusive": "It cannot be decided from trustworthy measurements. This costs the device nothing.",
}

CAUSES: dict[str | None, str] = {
    None: "",
    "guard-band": "closer to the limit than the uncertainty: doubtful",
    "bench": "spoiled by the bench: not judged, to be repeated",
    "record": "the record does not show enough: not judged, to be repeated",
}

FRAME_TIMES = (
    ("start edge to last edge", "start_edge_to_last_edge"),
    ("start edge to end of stop bit", "start_edge_to_stop_end"),
)
"""Two times that are both called the time of a character; the first is not a whole frame."""

AFTER_RATE = 4
"""Rows of LINE_QUANTITIES after which they stand."""

SEVERITY_RANK = {"fail": -3, "warning": -2, "info": -1}

LineCell = Callable[[Mapping[str, Any], bool], str]

LINE_QUANTITIES: tuple[tuple[str, LineCell], ...] = (
    ("channel", lambda line, _: printable(str(line["channel"]))),
    ("idle level", lambda line, _: printable(str(line["idle"] or NOT_MEASURED))),
    ("bit time", lambda line, full: measured(line["bit_time"], record=full)),
    ("rate", lambda line, full: measured(line["baud"], record=full)),
    ("frame", lambda line, _: _frames(line)),
    ("low level", lambda line, _: measured(line["levels"]["low"], exponent=0)),
    ("high level", lambda line, _: measured(line["levels"]["high"], exponent=0)),
    ("rise time", lambda line, _: measured(line["rise_time"])),
    ("fall time", lambda line, _: measured(line["fall_time"])),
    ("start-stop distortion", lambda line, _: measured(line["start_stop_distortion"])),
    ("characters", lambda line, _: _flawed(line)),
)
