"""The unattended check: nobody in the room, the probes stay on the lines, some seconds a station.

see -> items and findings -> (what was not right is looked at again at once) -> diagnosis -> document.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from drivers.errors import IdentityError, InstrumentError, NotReachable, ReplyError
from service.acquire import open_bench
from service.check.again import merged, relabelled, worth_another_look
from service.check.context import Context
from service.check.instrument import of_instrument, of_queue
from service.check.items import CheckItem
from service.check.repeats import repeated
from service.check.resting import of_rest
from service.check.seeing import STEPS, Seen, see
from service.check.steady import of_trigger
from service.check.times import of_times
from service.check.traffic import of_echo, of_lines
from service.hooks import RunHooks
from service.panel import as_document
from service.pipeline.chain import judge
from service.pipeline.findings import WARNING, Finding, make_finding
from service.stations import Station


@dataclass(frozen=True)
class Found:
    """What one look at a station came to."""

    items: tuple[CheckItem, ...] = ()
    findings: tuple[Finding, ...] = ()
    not_seen: bool = False
    more: dict[str, Any] = field(default_factory=dict)


def look_unattended(
    station: Station, hooks: RunHooks, context: Context, steps: Sequence[str] = tuple(STEPS)
) -> Found:
    """Check what the steps name. An outlier is measured again at once before it becomes an alarm.

    Raises:
        RequestError: the station's settings cannot be right. RunCancelled.
    """
    first = _look(station, hooks, context, steps)
    if first.not_seen:
        hooks.progress("again", "nobody answers: trying once more", 0.1)
        return _look(station, relabelled(hooks, "again: "), context, steps)
    again = worth_another_look(first.items, first.findings, steps)
    if not again:
        return first
    hooks.progress("again", f"looking again at {', '.join(again)}", 0.6)
    second = _look(station, relabelled(hooks, "again: "), context, again)
    if second.not_seen:
        return second
    items, findings = merged(first.items, first.findings, second.items, second.findings, again)
    return dataclasses.replace(first, items=items, findings=findings, more={**first.more, "again": again})


def look_repeatedly(
    station: Station,
    hooks: RunHooks,
    context: Context,
    repeats: int,
    between: Sequence[Callable[[], bool]] = (),
) -> dict[str, Any]:
    """Every item's numbers over so many looks, and their scatter, as JSON; without a touch, but for what is
    done `between` connections.

    Raises:
        NotReachable, RequestError, RunCancelled.
    """

    def look(number: int) -> tuple[CheckItem, ...]:
        hooks.progress("repeat", f"{number} of {repeats}", 0.6 + 0.35 * number / repeats)
        labelled = dataclasses.replace(relabelled(hooks, f"repeat {number}: "), progress=_silent)
        with open_bench(dataclasses.replace(station, leave_as_found=True), labelled) as bench:
            return weigh(station, see(bench, tuple(STEPS)), context).items

    return repeated(look, repeats, between)


def _silent(_step: str, _message: str, _fraction: float) -> None:
    """Twenty repeats would tell the same steps twenty times."""


def _look(station: Station, hooks: RunHooks, context: Context, steps: Sequence[str]) -> Found:
    """The scope is given back as it was found: the panel belongs to the students."""
    hooks.progress("connecting", f"opening {station.scope} and {station.serial}", 0.0)

    def look() -> Found:
        with open_bench(dataclasses.replace(station, leave_as_found=True), hooks) as bench:
            seen = see(bench, steps)
        hooks.progress("judging", "reading both lines", 0.5)
        return weigh(station, seen, context)

    return reached(station, look)


def reached(station: Station, look: Callable[[], Found]) -> Found:
    """What `look` finds; a scope or a link that is away, or another scope, is a finding and no error."""
    try:
        return look()
    except IdentityError as told:
        return Found(findings=(make_finding("identity-changed", None, str(told), severity="fail"),))
    except NotReachable as told:
        code = "link-silent" if told.address == station.serial else "scope-silent"
        return Found(findings=(make_finding(code, None, f"{told}."),), not_seen=True)
    except ReplyError as told:
        finding = make_finding(
            "instrument-error", None, f"its answer makes no sense: {told}", severity="fail"
        )
        return Found(findings=(finding,))
    except InstrumentError as told:
        return Found(findings=(make_finding("instrument-error", None, str(told), severity="fail"),))


def weigh(station: Station, seen: Seen, context: Context) -> Found:
    """Items and findings of what was seen; touches no instrument."""
    noticed = [*of_instrument(station, seen, context), *of_rest(station, seen), *of_trigger(station, seen)]
    gathered = seen.gathered
    judged: tuple[Finding, ...] = tuple(gathered.findings)
    if gathered.shots:
        sent = b"".join(shot.sent or b"" for shot in gathered.shots if not shot.closeup)
        judgement = judge(gathered.shots, station.expectation(sent=sent), gathered.findings)
        judged = tuple(_of_golden(finding) for finding in judgement.findings)
        noticed += of_lines(station, seen, judgement, context)
        noticed += of_times(station, judgement, context)
        noticed += of_echo(station, judgement, context)
    noticed += of_queue(seen)
    items = tuple(one for one in noticed if isinstance(one, CheckItem))
    findings = [*seen.findings, *judged, *(one for one in noticed if isinstance(one, Finding))]
    told = seen.told
    more: dict[str, Any] = {}
    if told is not None:
        more["instrument"] = dataclasses.asdict(told.identity) | {"options": told.options}
        if told.panel is not None:
            more["panel"] = as_document(told.panel)
    return Found(items, _once(findings), more=more)


def _of_golden(finding: Finding) -> Finding:
    """The golden firmware echoes: what is a hint in a test of somebody's firmware is a finding here."""
    told = finding.code == "boot-loader-waiting"
    return dataclasses.replace(finding, severity=WARNING) if told else finding


def _once(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """One finding a code and line: the first, which is the nearest to where it was noticed."""
    kept: dict[tuple[str, str | None], Finding] = {}
    for finding in findings:
        kept.setdefault((finding.code, finding.line), finding)
    return tuple(kept.values())
