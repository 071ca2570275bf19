"""Small phrases of the pages: a status, a limit, a measured value, a setting, a character, evidence."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.pipeline.numbers import NOT_MEASURED, quantity, si_power, with_uncertainty
from service.report.marks import marks, printable, spoken


@dataclass(frozen=True)
class Status:
    """Shape and colour are chosen by `kind`, the word is always written."""

    kind: str
    """pass, fail, inconclusive or none."""
    word: str


def status(verdict: str | None) -> Status:
    """`null` stands for a quantity that nothing is required of."""
    return STATUSES.get(verdict, Status("none", printable(str(verdict))))


def limit_words(limit: Mapping[str, Any], unit: str) -> str:
    """`at most 2 ms`, `from -2 % to 2 %`; keys beyond min and max are shown as they are."""
    low, high = limit.get("min"), limit.get("max")
    rest = [
        f"{words_of(k)} {printable(evidence_words(v))}" for k, v in limit.items() if k not in ("min", "max")
    ]
    if low is not None and high is not None:
        rest.insert(0, f"from {quantity(low, unit)} to {quantity(high, unit)}")
    elif high is not None:
        rest.insert(0, f"at most {quantity(high, unit)}")
    elif low is not None:
        rest.insert(0, f"at least {quantity(low, unit)}")
    return ", ".join(rest)


def role_words(role: Any) -> str:
    """`to target`; empty for a finding about no line."""
    return "" if role is None else printable(words_of(str(role)))


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
    return printable(words_of(name.removesuffix(ending)))


def payload_marks(values: Sequence[int | None] | bytes, most: int = 40) -> str:
    """Visible, and cut with a count where it is long."""
    rest = len(values) - most
    return marks(values[:most]) + (f" … and {rest} more" if rest > 0 else "")


def character_words(value: int | None) -> str:
    return "–" if value is None else spoken(int(value))


def time_words(seconds: float | None) -> str:
    return "–" if seconds is None else quantity(seconds, "s", digits=4, fixed=True)


def utc_words(moment: str) -> str:
    """`2027-01-12 06:31:08 UTC` of an RFC 3339 time in Z, anything else as it is."""
    found = re.fullmatch(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)(\.\d+)?Z", moment)
    return f"{found[1]} {found[2]} UTC" if found else printable(moment)


def words_of(name: str) -> str:
    return name.replace("_", " ")


def evidence_words(value: Any, name: str = "") -> str:
    """A number with the unit that its name ends in, lists cut where they are long."""
    if isinstance(value, float):
        return setting_text(name, value)
    if isinstance(value, list | tuple):
        rest = f" and {len(value) - MOST_EVIDENCE} more" if len(value) > MOST_EVIDENCE else ""
        return "; ".join(evidence_words(v, name) for v in value[:MOST_EVIDENCE]) + rest
    if isinstance(value, Mapping):
        told = ((setting_name(str(k)), evidence_words(v, str(k))) for k, v in value.items() if v is not None)
        return ", ".join(f"{k} {v}" for k, v in told)
    return str(value)


STATUSES: dict[str | None, Status] = {
    "pass": Status("pass", "pass"),
    "fail": Status("fail", "fail"),
    "inconclusive": Status("inconclusive", "inconclusive"),
    None: Status("none", "not judged"),
}

MOST_EVIDENCE = 6

UNIT_ENDINGS = {"_v": "V", "_s": "s", "_hz": "Hz", "_percent": "%", "_ppm": "ppm", "_ohm": "Ω"}
