"""A station before term, and after each change: everything that proves it, as one walk with one person.

What needs no hands comes first (instrument, zero, clocks, trigger, echo), then probes and channels on the
reference terminal, the two tips exchanged, the serial link on a wire of its own, the boot loader after a
reset, the wiggle test, and at last so many repeats, over some connections, that a baseline can be made of
them (`benchwarden baseline STATION --make REASON`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.acquire import Bench, open_bench
from service.check import cautions
from service.check.again import relabelled
from service.check.bench_or_board import REST_S, try_pattern
from service.check.board import BoardSight, look_at_board
from service.check.context import Context
from service.check.guided import GuidedOptions, steps_of, walk_guided
from service.check.items import CheckItem, make_item
from service.check.known_traffic import texts
from service.check.reference import ReferenceView
from service.check.seeing import STEPS
from service.check.trigger import diagnose_trigger
from service.check.unattended import Found, look_repeatedly, look_unattended, reached
from service.check.walk import Step, Walk
from service.check.wiggle import wiggle
from service.hooks import Look, RunHooks
from service.pipeline.findings import WARNING, Finding, make_finding
from service.stations import ROLES, Station

REPEATS = 10
"""One shot is no baseline (needs of this house, A6)."""
LOOP_CHARACTERS = 3000
"""0 errors in so many: fewer than one in a thousand at 95 % (the rule of three, 3/n)."""
CONNECTIONS = 3
"""The tips are taken off and put on again in between: what a new connection adds (A6)."""
OWN_STEPS = 5 + CONNECTIONS - 1
FETCHES = 3
SWAP_U_PERCENT = 1.0
"""Two looks at one line, each rounded to a code (expanded)."""


@dataclass
class _Term:
    """What has come together so far."""

    station: Station
    hooks: RunHooks
    context: Context
    walk: Walk
    options: GuidedOptions
    items: list[CheckItem] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    more: dict[str, Any] = field(default_factory=dict)
    parts: dict[str, str] = field(default_factory=dict)
    """Part -> done, left out, or not reached."""

    def take(self, part: str, found: Found) -> bool:
        """Whether the station was there."""
        self.items += found.items
        self.findings += found.findings
        self.more |= found.more
        self.parts[part] = "not reached" if found.not_seen else "done"
        return not found.not_seen


def before_term(station: Station, hooks: RunHooks, context: Context) -> Found:
    """Commission the station with a person at it.

    Raises:
        RequestError: the station's settings cannot be right. RunCancelled; NobodyCame.
    """
    options = GuidedOptions(context.asked.metered_volts, context.asked.meter)
    walk = Walk(hooks, steps_of(options) + OWN_STEPS, room=station.room)
    term = _Term(station, hooks, context, walk, options)
    there = all(_part(term, name, do) for name, do in PARTS.items())
    missing = [name for name in PARTS if term.parts.get(name) != "done"]
    term.more["before_term"] = {
        "complete": not missing,
        "parts": {name: term.parts.get(name, "not reached") for name in PARTS},
        "steps": [one.as_document() for one in term.walk.done],
    }
    if missing and there:
        words = f"{', '.join(missing)} left out: the station is not proven for tests that count."
        term.findings.append(make_finding("not-commissioned", None, words, evidence={"missing": missing}))
    return Found(tuple(term.items), tuple(term.findings), not there, term.more)


def _part(term: _Term, name: str, do: Callable[[_Term], Found | None]) -> bool:
    """Do it; False when the station is away. A part that gives None was left out by the person."""
    left_out = False

    def work() -> Found:
        nonlocal left_out
        found = do(term)
        left_out = found is None
        return found or Found()

    there = term.take(name, reached(term.station, work))
    if left_out:
        term.parts[name] = "left out"
    return there


def _unattended(term: _Term) -> Found:
    return look_unattended(term.station, term.hooks, term.context, tuple(STEPS))


def _trigger(term: _Term) -> Found:
    told = diagnose_trigger(term.station, relabelled(term.hooks, "trigger: "), set_right=True)
    return Found(told.items, told.findings, more={"trigger": {"proposal": told.proposal}})


def _transfer(term: _Term) -> Found:
    """One record fetched again and again must be the same, sample by sample."""
    with open_bench(term.station, term.hooks) as bench:
        first = ReferenceView(bench).look().taken.capture
        others = [bench.scope.fetch() for _ in range(FETCHES - 1)]
    differ = sum(
        int(np.count_nonzero(first.channel(record.name).codes != record.codes))
        for other in others
        for record in other.channels
    )
    samples = FETCHES * sum(len(record.codes) for record in first.channels)
    told = f"{samples} samples in {FETCHES} fetches"
    item = make_item("transfer_errors", float(differ), 0.0, "scope", high=0.0, because=told)
    bad = make_finding("instrument-error", None, f"{item.because}.", severity="fail") if differ else None
    return Found((item,), (bad,) if bad else ())


def _probes(term: _Term) -> Found:
    told = walk_guided(term.station, term.hooks, term.options, term.walk)
    return Found(tuple(told.items), tuple(told.findings), more=told.more)


def _swap(term: _Term) -> Found | None:
    """Each line on the other channel: what moves with the probe, and what stays with the channel."""
    with open_bench(term.station, term.hooks) as bench:
        own = look_at_board(bench, "tips in place")
        done = term.walk.step(SWAP, lambda: _crossed(look_at_board(bench)))
        crossed = None if done.skipped else look_at_board(bench, "tips exchanged")
        term.walk.step(SWAP_BACK, lambda: look_at_board(bench).as_look())
        last = look_at_board(bench, "tips back")
    noticed = list(last.noticed())
    items = [] if crossed is None else list(_swapped(term.station, own, crossed))
    found = Found(tuple(items), tuple(one for one in noticed if isinstance(one, Finding)))
    return None if crossed is None and not found.findings else found


def _crossed(sight: BoardSight) -> Look:
    """Done when the line that answers shows on the other channel."""
    look = sight.as_look()
    return Look(look.text, look.values, seen=sight.exchanged)


def _swapped(station: Station, own: BoardSight, crossed: BoardSight) -> list[CheckItem]:
    """A line's swing on its own channel against that on the other one, for each line."""
    most, items = station.check_limits.gain_percent, []
    for role, other in zip(ROLES, reversed(ROLES), strict=True):
        one, two = own.lines[role].levels, crossed.lines[other].levels
        off = None if one is None or two is None else 100 * (two.amplitude_v / one.amplitude_v - 1)
        u = None if off is None else SWAP_U_PERCENT
        items.append(make_item(f"{role}.swap_match", off, u, "scope", low=-most, high=most))
    return items


def _loop(term: _Term) -> Found | None:
    """The serial link without the board: on a wire it must bring back all that is sent."""
    done = term.walk.step(LOOP, _only_a_person_knows)
    if done.skipped:
        return None
    with open_bench(term.station, term.hooks) as bench:
        # as a look, so that its answer is kept: after a restart the wire is gone
        ran = term.walk.step(LOOP_RUNS, lambda: _around(bench), extra=True, steady=1)
    if "sent" not in ran.values:
        return None
    sent, wrong = int(ran.values["sent"]), int(ran.values["wrong"])
    term.walk.step(LOOP_BACK_OFF, _only_a_person_knows, extra=True)
    told = f"{sent} characters at {term.station.baud:g} Bd"
    item = make_item("loop_errors", float(wrong), 0.0, "bridge", high=0.0, because=told)
    bad = make_finding("link-at-fault", None, f"{item.because}.", severity="fail") if wrong else None
    return Found((item,), (bad,) if bad else ())


def _around(bench: Bench) -> Look:
    """Send and compare, all values first; done at once."""
    values, stream = texts(bench.station)
    sent = (values + stream)[:LOOP_CHARACTERS]
    parts = [sent[i : i + len(values)] for i in range(0, len(sent), len(values))]
    wrong = sum(_errors(part, bench.over_link(part)) for part in parts)
    text = f"{len(sent)} characters around the wire, {wrong} lost or changed"
    return Look(text, {"sent": len(sent), "wrong": wrong}, seen=True)


def _errors(sent: bytes, received: bytes) -> int:
    """Characters that are not there or not the same, place by place."""
    return sum(a != b for a, b in zip(sent, received, strict=False)) + abs(len(sent) - len(received))


def _started(term: _Term) -> Found | None:
    """After a reset the boot loader must give way to the firmware by itself."""
    if term.walk.step(RESET, _only_a_person_knows).skipped:
        return None
    tried = try_pattern(term.station, term.hooks, "after a reset", rest_s=REST_S)
    wrong = max(tried.echo_wrong, tried.heard_wrong, 0 if tried.seen else tried.sent)
    told = f"of {tried.sent}, {REST_S:g} s after the reset"
    item = make_item("start_errors", float(wrong), 0.0, "board", high=0.0, because=told)
    words = f"{item.because}; {'it answers with a prompt' if tried.prompt else 'it does not echo'}."
    return Found(
        (item,), (make_finding("boot-loader-waiting", None, words, severity=WARNING),) if wrong else ()
    )


def _wiggled(term: _Term) -> Found | None:
    told = wiggle(term.station, term.hooks, term.walk)
    return None if told.more["wiggle"]["skipped"] else Found(told.items, told.findings, more=dict(told.more))


def _repeats(term: _Term) -> Found:
    each = -(-max(REPEATS, term.context.asked.repeats or 0) // CONNECTIONS)
    between = [lambda: not term.walk.step(OFF_AND_ON, _only_a_person_knows).skipped] * (CONNECTIONS - 1)
    told = look_repeatedly(term.station, term.hooks, term.context, each * CONNECTIONS, between)
    return Found(more={"repeats": told})


def _only_a_person_knows() -> Look:
    return Look("waiting for you to go on")


SWAP = Step(
    "tips exchanged",
    "Exchange the two tips: each on the other line, the clips stay on the board's ground.",
    cautions.ON_BOARD,
)
SWAP_BACK = Step("tips back", "Put both tips back where they were.", cautions.ON_BOARD)
LOOP = Step(
    "loop-back wire",
    "Take the board off the serial link and join the link's two lines with the loop-back wire. Then go on; "
    "leave the step out if there is no wire.",
    cautions.LOOP_BACK,
)
LOOP_RUNS = Step(
    "around the wire", "Leave the wire where it is: the link is being tried.", cautions.LOOP_BACK
)
LOOP_BACK_OFF = Step(
    "board back on the link",
    "Take the loop-back wire off and put the board back on the serial link. Then go on.",
    cautions.LOOP_BACK,
)

RESET = Step(
    "board's reset",
    "Press the board's reset button, or take its power off and on again. Then go on: it must begin to echo "
    "by itself.",
    cautions.ON_BOARD,
)

OFF_AND_ON = Step(
    "tips off and on",
    "Take both tips off their lines, one after the other, and put each back where it was. Then go on.",
    cautions.ON_BOARD,
)

PARTS: dict[str, Callable[[_Term], Found | None]] = {
    "unattended": _unattended,
    "trigger": _trigger,
    "transfer": _transfer,
    "probes": _probes,
    "swap": _swap,
    "loop-back": _loop,
    "boot loader": _started,
    "wiggle": _wiggled,
    "repeats": _repeats,
}
"""In this order; the first that finds nobody there ends the walk."""
