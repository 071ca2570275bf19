"""What was commissioned, as a record in JSON, and what has changed since: pure functions on records.

A station check reads the record of its scope and asks `differences(then, now)`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.scope.dialect import Dialect
from service.commissioning.commission import Commissioned
from service.commissioning.outcome import DIFFERS, FAILS, NOT_TRIED, WORKS
from service.errors import BadInput

SCHEMA = 1
KIND = "commissioning"

SLOWER, SLOWER_S = 3.0, 5e-3
"""Times vary by half and more from run to run (measured on loopback: quartiles 30 % apart): three times as
long, and by 5 ms, is a change of the network or of the instrument."""
RANK = {WORKS: 0, DIFFERS: 1, FAILS: 2}


@dataclass(frozen=True)
class RecordDifference:
    """One thing that is not as it was when the scope was commissioned."""

    kind: str
    """identity, firmware, options, dialect, line or timing."""
    about: str
    then: Any
    now: Any


def document(done: Commissioned) -> dict[str, Any]:
    """The whole record; `then` and `now` of `differences`."""
    return {
        "schema": SCHEMA,
        "kind": KIND,
        "outcome": done.outcome,
        "taken_at": done.taken_at,
        "resource": done.wishes.resource,
        "dialect": {"name": done.dialect.name, "sha256": fingerprint(done.dialect)},
        "identity": None if done.identity is None else dataclasses.asdict(done.identity),
        "options": done.options,
        "timings": dict(done.timings),
        "lines": [_line(line) for line in done.lines],
        "lost": done.lost or None,
    }


def fingerprint(dialect: Dialect) -> str:
    """SHA-256 of everything that the dialect says, wherever its file lies and however it is laid out.

    But for `event_status`: nothing that is set or measured rests on it, and records made without it stand.
    """
    said = dataclasses.asdict(dataclasses.replace(dialect, source=Path()))
    del said["event_status"]
    return hashlib.sha256(json.dumps(said, sort_keys=True, default=str).encode()).hexdigest()


def read_record(path: Path) -> dict[str, Any]:
    """A saved record. Raises BadInput when the file is none."""
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise BadInput(f"the commissioning record {path} cannot be read: {error}") from error
    if not isinstance(found, dict) or found.get("kind") != KIND or found.get("schema") != SCHEMA:
        raise BadInput(
            f"{path} is no commissioning record of schema {SCHEMA}; write one with commission --save"
        )
    return found


def differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[RecordDifference, ...]:
    """What has changed between two records of one place on the network, the gravest first.

    Timings count when they have become three times as bad; lines when their outcome has become worse.
    """
    return (*_identities(then, now), *_lines(then, now), *_timings(then, now))


def _identities(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[RecordDifference]:
    old, new = then.get("identity") or {}, now.get("identity") or {}
    for key in ("maker", "model", "serial", "firmware"):
        if old.get(key) != new.get(key):
            kind = "firmware" if key == "firmware" else "identity"
            yield RecordDifference(kind, key, old.get(key), new.get(key))
    if then.get("options") != now.get("options"):
        yield RecordDifference("options", "options", then.get("options"), now.get("options"))
    if then.get("dialect") != now.get("dialect"):
        yield RecordDifference("dialect", "dialect", then.get("dialect"), now.get("dialect"))


def _lines(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[RecordDifference]:
    new = {line["line"]: line["outcome"] for line in now.get("lines", ())}
    for line in then.get("lines", ()):
        outcome = new.get(line["line"])
        if outcome in RANK and RANK[outcome] > RANK.get(line["outcome"], 2):
            yield RecordDifference("line", line["line"], line["outcome"], outcome)


def _timings(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[RecordDifference]:
    old, new = then.get("timings", {}), now.get("timings", {})
    for name in sorted(set(old) & set(new)):
        was, is_now = float(old[name]), float(new[name])
        if name.endswith("_per_s"):
            changed = is_now * SLOWER < was
        elif name.endswith("_s"):
            changed = is_now > was * SLOWER and is_now - was > SLOWER_S
        else:
            changed = was != is_now
        if changed:
            yield RecordDifference("timing", name, was, is_now)


def _line(line: Any) -> dict[str, Any]:
    row = {"line": line.line, "outcome": line.outcome, "says": line.says, "seconds": round(line.seconds, 6)}
    if line.outcome in (WORKS, NOT_TRIED):
        return row
    turns = [
        {"sent": list(t.sent), "answer": t.answer, "seconds": round(t.seconds, 6), "error": t.error or None}
        for t in line.exchanges
    ]
    return row | {"exchanges": turns}
