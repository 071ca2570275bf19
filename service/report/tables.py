"""A result document as rows of words, for the page and the terminal alike. Worst first, by explicit rank."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.report.marks import marks, printable, spoken
from service.report.numbers import NOT_MEASURED, quantity, si_power, with_uncertainty

Document = Mapping[str, Any]


@dataclass(frozen=True)
class Status:
    """Shape and colour are chosen by `kind`, the word is always written."""

    kind: str
    """pass, fail, inconclusive or none."""
    word: str


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
class MeasurementRow:
    name: str
    line: str
    value: str
    definition: str
    limit: str
    status: Status


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


def status(verdict: str | None) -> Status:
    """`null` stands for a quantity that nothing is required of."""
    return STATUSES.get(verdict, Status("none", printable(str(verdict))))


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
                (printable(_words(str(k))), printable(_evidence(v))) for k, v in f.get("evidence", {}).items()
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
            sent=_character(e["sent"]),
            echoed=_character(e["echoed"]),
            status=printable(str(e["status"])),
            ok=e["status"] == "ok",
            start_to_start=_time(e["start_to_start_s"]),
            stop_end_to_start=_time(e["stop_end_to_start_s"]),
        )
        for i, e in enumerate(document["echoes"])
    ]


def measurement_rows(document: Document) -> list[MeasurementRow]:
    """Each with its definition and limit."""
    return [
        MeasurementRow(
            name=printable(_words(_bare_name(m))),
            line=role_words(m.get("line")),
            value=with_uncertainty(m["value"], m["u"], m["unit"]),
            definition=printable(str(m["definition"])),
            limit=limit_words(m.get("limit") or {}, m["unit"]),
            status=status(m["verdict"]),
        )
        for m in document["measurements"]
    ]


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


def assumptions(document: Document) -> list[str]:
    """Sentences about what nobody stated, so that nobody takes it for known."""
    expected = document.get("expected") or {}
    return [
        f"{words} {quantity(expected[name], unit)}: nobody stated it."
        for name, words, unit in ASSUMED
        if name in expected.get("assumed", ())
    ]


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


def sent_and_echoed(document: Document) -> tuple[list[int], list[int]]:
    """Values on the wires, in order of time: what the to-target and the from-target line carried."""
    lines = document["lines"]
    to_target, from_target = ([c["value"] for c in lines[role]["characters"]] for role in ROLES)
    return to_target, from_target


def echo_counts(document: Document) -> dict[str, int]:
    """How many echoes have each status, only those that occur; "ok" first."""
    found = [e["status"] for e in document["echoes"]]
    return {s: found.count(s) for s in sorted(set(found), key=lambda s: (s != "ok", s))}


def limit_words(limit: Mapping[str, Any], unit: str) -> str:
    """`at most 2 ms`, `from -2 % to 2 %`; keys beyond min and max are shown as they are."""
    low, high = limit.get("min"), limit.get("max")
    rest = [f"{_words(k)} {printable(_evidence(v))}" for k, v in limit.items() if k not in ("min", "max")]
    if low is not None and high is not None:
        rest.insert(0, f"from {quantity(low, unit)} to {quantity(high, unit)}")
    elif high is not None:
        rest.insert(0, f"at most {quantity(high, unit)}")
    elif low is not None:
        rest.insert(0, f"at least {quantity(low, unit)}")
    return ", ".join(rest)


def role_words(role: Any) -> str:
    """`to target`; empty for a finding about no line."""
    return "" if role is None else printable(_words(str(role)))


def measured(told: Mapping[str, Any] | None, *, exponent: int | None = None, record: bool = False) -> str:
    """A value of the document, or "not measured"; with `record` also the part that the record alone gives."""
    if not told or told.get("value") is None:
        return NOT_MEASURED
    words = with_uncertainty(told["value"], told.get("u"), told["unit"], exponent=exponent)
    part = told.get("u_record")
    if not record or part is None:
        return words
    power = 0 if told["unit"] == "Bd" else si_power(part)
    return f"{words} (from the record alone ± {quantity(part, told['unit'], digits=2, exponent=power)})"


def setting_text(name: str, value: Any) -> str:
    """A setting with the unit that its name ends in: `range_v` 6.5 is `6.5 V`."""
    unit = next((u for ending, u in UNIT_ENDINGS.items() if name.endswith(ending)), None)
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, int | float):
        return quantity(float(value), unit or "1", digits=7)
    return printable(str(value))


def setting_name(name: str) -> str:
    """`range_v` is `range`."""
    ending = next((e for e in UNIT_ENDINGS if name.endswith(e)), "")
    return printable(_words(name.removesuffix(ending)))


def payload_marks(values: Sequence[int] | bytes, most: int = 40) -> str:
    """Visible, and cut with a count where it is long."""
    rest = len(values) - most
    return marks(values[:most]) + (f" … and {rest} more" if rest > 0 else "")


def _bare_name(measurement: Mapping[str, Any]) -> str:
    """`to_target.bit_time` without its line, which stands in a column of its own."""
    return str(measurement["name"]).removeprefix(f"{measurement.get('line')}.")


def _character(value: int | None) -> str:
    return "–" if value is None else spoken(int(value))


def _time(seconds: float | None) -> str:
    return "–" if seconds is None else quantity(seconds, "s", digits=4, fixed=True)


def _words(name: str) -> str:
    return name.replace("_", " ")


def _evidence(value: Any) -> str:
    if isinstance(value, float):
        return quantity(value, "1") if 1e-3 <= abs(value) < 1e6 else f"{value:.6g}"
    if isinstance(value, list | tuple):
        return ", ".join(_evidence(v) for v in value)
    if isinstance(value, Mapping):
        return ", ".join(f"{_words(str(k))} {_evidence(v)}" for k, v in value.items())
    return str(value)


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

STATUSES: dict[str | None, Status] = {
    "pass": Status("pass", "pass"),
    "fail": Status("fail", "fail"),
    "inconclusive": Status("inconclusive", "inconclusive"),
    None: Status("none", "not judged"),
}

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

ASSUMED = (
    ("timebase_ppm", "The scope's time base is assumed to be accurate to", "ppm"),
    ("vertical_percent", "The scope's volts are assumed to be accurate to", "%"),
)

AFTER_RATE = 4
"""Rows of LINE_QUANTITIES after which they stand."""

SEVERITY_RANK = {"fail": -3, "warning": -2, "info": -1}

UNIT_ENDINGS = {"_v": "V", "_s": "s", "_hz": "Hz", "_percent": "%", "_ppm": "ppm", "_ohm": "Ω"}

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
