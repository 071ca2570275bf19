"""The door of the station check: what is asked for is looked at, explained, and becomes one document."""

from __future__ import annotations

import dataclasses
import functools
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.check.asked import BEFORE_TERM, BENCH_OR_BOARD, CHECKER, GUIDED, TRIGGER, WIGGLE
from service.check.causes import RULES
from service.check.context import Context
from service.check.diagnosis import diagnose, explained, steps_of
from service.check.document import check_document
from service.check.items import make_item
from service.check.seeing import INSTRUMENT, STEPS
from service.check.unattended import Found, look_repeatedly, look_unattended, reached
from service.errors import BadInput
from service.hooks import RunHooks
from service.panel import findings_since
from service.room_rules import all_of
from service.stations import Station

Part = Callable[[Station, RunHooks, Context], Found]


def run_check(
    station: Station, hooks: RunHooks, context: Context, only: Sequence[str] = ()
) -> dict[str, Any]:
    """Check a station now and return its document (contract 3b); everything unattended without `only`.

    Raises:
        BadInput: `only` names a part that there is not. RequestError: the station's settings are wrong.
        RunCancelled: the scope was left idle. (A scope that is away is an outcome and no exception.)
    """
    names = parts_of(only)
    begun = time.monotonic()
    found = [_do(station, hooks, context, names)]
    for name in names:
        if name in SPECIAL:
            found.append(reached(station, functools.partial(SPECIAL[name], station, hooks, context)))
    found.append(_since_last(hooks, names))
    hooks.progress("diagnosis", "putting findings down to causes", 0.95)
    items = [item for one in found for item in one.items]
    findings = [finding for one in found for finding in one.findings]
    causes = diagnose(findings, items, RULES)
    more: dict[str, Any] = {}
    for one in found:
        more |= one.more
    document = check_document(
        station.name,
        items,
        explained(causes, *findings),
        checked_at=context.clock(),
        steps=steps_of(causes),
        not_seen=any(one.not_seen for one in found),
        valid_for_s=station.check_limits.valid_hours * 3600,
        causes=[cause.as_document() for cause in causes],
        only=list(only),
        whole=set(STEPS) <= set(names),
        seconds=round(time.monotonic() - begun, 3),
        local_rules=list(all_of(station.room)),
        **more,
    )
    hooks.progress("done", f"{document['outcome']}: {document['first_step']}", 1.0)
    return document


def parts_of(only: Sequence[str]) -> tuple[str, ...]:
    """The parts that are meant; all unattended ones for none. BadInput names those that there are."""
    known = (*STEPS, *SPECIAL)
    for name in only:
        if name not in known:
            raise BadInput(f"there is no part {name!r} of a check; there are {', '.join(known)}")
    return tuple(dict.fromkeys(only)) or tuple(STEPS)


def _do(station: Station, hooks: RunHooks, context: Context, names: Sequence[str]) -> Found:
    steps = [name for name in STEPS if name in names]
    if not steps:
        return Found()
    found = look_unattended(station, hooks, context, steps)
    repeats = context.asked.repeats
    if found.not_seen or repeats is None:
        return found
    told = {"repeats": look_repeatedly(station, hooks, context, repeats)}
    return dataclasses.replace(found, more={**found.more, **told})


def _since_last(hooks: RunHooks, names: Sequence[str]) -> Found:
    """What happened to the scope between the last run, of whatever kind, and this one."""
    since = hooks.since()
    findings = findings_since(since)
    if since.changed is None or INSTRUMENT not in names:
        return Found(findings=findings)
    facts = {"changed": list(since.changed), "otherwise_than_a_run": list(since.unusual)}
    item = make_item(
        "settings_touched",
        float(len(since.changed)),
        0.0,
        "scope",
        because=", ".join(since.changed),
        evidence=facts,
    )
    return Found((item,), findings)


def _trigger(station: Station, hooks: RunHooks, context: Context) -> Found:
    from service.check.trigger import diagnose_trigger

    told = diagnose_trigger(station, hooks, set_right=context.asked.set_right)
    findings = tuple(dataclasses.replace(f, severity=_milder(f.severity)) for f in told.findings)
    more = {"trigger": {"proposal": told.proposal, "set_right": told.set_right}}
    return Found(told.items, findings, more=more)


def _wiggle(station: Station, hooks: RunHooks, _context: Context) -> Found:
    from service.check.wiggle import wiggle

    told = wiggle(station, hooks)
    return Found(told.items, told.findings, more=dict(told.more))


def _guided(station: Station, hooks: RunHooks, context: Context) -> Found:
    from service.check.guided import GuidedOptions, walk_guided

    options = GuidedOptions(context.asked.metered_volts, context.asked.meter)
    told = walk_guided(station, hooks, options)
    return Found(tuple(told.items), tuple(told.findings), more=told.more)


def _milder(severity: str) -> str:
    """The panel as somebody left it spoils no run: every run sets its own trigger."""
    return "warning" if severity == "fail" else severity


def _bench_or_board(station: Station, hooks: RunHooks, context: Context) -> Found:
    from service.check.bench_or_board import bench_or_board

    return bench_or_board(station, hooks, context)


def _checker(station: Station, hooks: RunHooks, context: Context) -> Found:
    from service.check.checker import check_the_checker

    return check_the_checker(station, hooks, context)


def _before_term(station: Station, hooks: RunHooks, context: Context) -> Found:
    from service.check.before_term import before_term

    return before_term(station, hooks, context)


SPECIAL: Mapping[str, Part] = {
    TRIGGER: _trigger,
    BENCH_OR_BOARD: _bench_or_board,
    GUIDED: _guided,
    WIGGLE: _wiggle,
    BEFORE_TERM: _before_term,
    CHECKER: _checker,
}
"""Parts that are looked at only when they are named."""
