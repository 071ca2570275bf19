"""Items of the instrument itself: who it is, how it is, whether it is as it was commissioned."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from drivers.scope.dialect_reader import load_dialect
from drivers.scope.setup import Difference
from service.check.context import Context
from service.check.items import CheckItem, make_item
from service.check.seeing import Seen, Told
from service.commissioning.record import RecordDifference, differences, fingerprint
from service.pipeline.findings import Finding, make_finding
from service.run_record import moment_of
from service.stations import Station

Noticed = Iterator[CheckItem | Finding]

WIDEST, NARROWEST = 5.0, 0.4
"""Ranges come in steps of 1, 2, 5: a window within these parts of what was asked was taken, rounded."""
LEVEL_PART = 0.1
"""Of the window, by which a trigger level may differ."""


def of_instrument(station: Station, seen: Seen, context: Context) -> Noticed:
    """Items and findings; nothing when the scope was not asked."""
    told = seen.told
    if told is None:
        return
    yield make_item("answer_time", told.answer_s, 0.0, "scope", high=station.check_limits.answer_time_max_s)
    yield from _identity(station, told, context)
    if told.passed_self_test is not None:
        yield make_item("self_test", float(not told.passed_self_test), 0.0, "scope", high=0.0)
        if not told.passed_self_test:
            said = "; ".join(f"{number} {text}" for number, text in told.self_test_said)
            facts = {"entries": [list(entry) for entry in told.self_test_said]}
            yield make_finding("self-test-failed", None, f"{said or 'it says so itself'}.", evidence=facts)
    yield from _clock(station, context)


def of_queue(seen: Seen) -> Noticed:
    """What the scope complained about, and what it would not take."""
    left_over = seen.told.left_over if seen.told else ()
    complaints = (*left_over, *seen.errors)
    told = {"entries": [list(e) for e in seen.errors], "left_over": [list(e) for e in left_over]}
    count = len(complaints) + sum(f.code == "instrument-error" for f in seen.findings)
    yield make_item("error_entries", float(count), 0.0, "scope", high=0.0, evidence=told)
    if complaints:
        words = "; ".join(f"{number} {text}" for number, text in complaints)
        since = "from before this check" if left_over else "after this check"
        yield make_finding("instrument-error", None, f"{since} its queue held {words}.", evidence=told)
    if seen.sounding is not None:
        refused = [d for d in seen.refused if _refused(d, seen)]
        yield make_item("settings_refused", float(len(refused)), 0.0, "scope", high=0.0)
        for one in refused:
            words = f"{one.setting} was to be {one.asked}, it reads back {one.got}"
            yield make_finding("setting-refused", None, f"{words}.", evidence=dataclasses.asdict(one))


def _refused(one: Difference, seen: Seen) -> bool:
    """Whether it is more than the scope's rounding."""
    if isinstance(one.asked, str) or isinstance(one.got, str):
        return one.asked != one.got
    asked, got = float(one.asked), float(one.got)
    if one.setting.endswith("range_v"):
        return not NARROWEST * asked <= got <= WIDEST * asked
    if one.setting.endswith(("offset_v", "level_v")):
        assert seen.sounding is not None
        return abs(got - asked) > LEVEL_PART * max(w.range_v for w in seen.sounding.windows.values())
    return "ratio" in one.setting and not math.isclose(asked, got, rel_tol=1e-2)


def _identity(station: Station, told: Told, context: Context) -> Noticed:
    """Against the record of commissioning, where there is one."""
    if context.record is None:
        return
    found = list(differences(context.record, _record_now(station, told, context.record)))
    facts = {d.about: [d.then, d.now] for d in found}
    other = [d for d in found if d.kind == "identity"]
    yield make_item(
        "identity_changes", float(len(other)), 0.0, "scope", high=0.0, evidence={"differences": facts}
    )
    if other:
        yield make_finding("identity-changed", None, _in_words(other), evidence=facts)
    elif found:
        yield make_finding("commissioning-differs", None, _in_words(found), evidence=facts)


def _record_now(station: Station, told: Told, record: Mapping[str, Any]) -> dict[str, Any]:
    """As much of a record as a check can make; what it does not try is taken as it was."""
    dialect = load_dialect(station.dialect)
    return {
        **record,
        "identity": dataclasses.asdict(told.identity),
        "options": record.get("options") if told.options is None else told.options,
        "dialect": {"name": dialect.name, "sha256": fingerprint(dialect)},
    }


def _in_words(found: list[RecordDifference]) -> str:
    return "; ".join(f"{d.about} was {d.then!r}, is {d.now!r}" for d in found if d.kind != "dialect") or (
        "the dialect file was changed since."
    )


def _clock(station: Station, context: Context) -> Noticed:
    """The service's clock against its own newest record: a clock that jumped back dates results wrongly."""
    if context.newest_at is None:
        return
    newest: datetime = moment_of(context.newest_at, "newest record")
    behind_s = max((newest - context.clock()).total_seconds(), 0.0)
    limit_s = station.check_limits.clock_behind_max_s
    yield make_item("clock_behind", behind_s, 0.0, "service", high=limit_s)
    if behind_s > limit_s:
        yield make_finding(
            "service-clock", None, f"it lies {behind_s:.0f} s behind the newest record, {context.newest_at}."
        )
