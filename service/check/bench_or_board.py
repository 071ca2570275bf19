"""One action for the question in class: is it the bench or the board?

First what can be told without hands: the pattern is sent to the present board. Where that does not name a
part, and somebody is there, the loop-back wire and the golden board are tried at the same place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench, open_bench
from service.check.again import relabelled
from service.check.cautions import LOOP_BACK as LOOP_BACK_PLACE
from service.check.cautions import ON_BOARD
from service.check.context import Context
from service.check.known_traffic import texts
from service.check.rounds import GOLDEN, LOOP_BACK, PRESENT, RESTED, Round
from service.check.suspects import UNKNOWN, Named, name_part
from service.check.unattended import Found
from service.check.walk import Step, Walk
from service.echo_test import Gathered, gather, plans_for
from service.hooks import Look, RunHooks
from service.pipeline.chain import judge
from service.pipeline.edits import edits
from service.pipeline.evidence import FROM_TARGET, TO_TARGET
from service.pipeline.findings import DEVICE, FAIL, WARNING, Finding, make_finding
from service.pipeline.verdict import Judgement
from service.recording import TimeBase
from service.sounding import first_window, sound
from service.stations import Station

REST_S, REST_POINTS = 5.0, 5000
"""Boot loaders were seen to wait 1 to 4 s after the last character (needs of this house, section 2)."""
OF_THE_SCOPE = ("instrument-error", "setting-refused", "trigger-outside-signal", "self-test-failed")
STEPS = {
    LOOP_BACK: Step(
        "loop-back wire",
        "Take the board off the serial link and join the link's two lines with the loop-back wire. Leave "
        "both probes on the lines. Then go on; leave the step out if there is no wire.",
        LOOP_BACK_PLACE,
    ),
    GOLDEN: Step(
        "golden board",
        "Put the golden board, with the golden firmware, in the place of the present one, both probes on its "
        "lines. Then go on; leave the step out if there is none.",
        ON_BOARD,
    ),
}
CODES = {
    "bridge": "link-at-fault",
    "board": "board-at-fault",
    "boot loader": "boot-loader-waiting",
    "scope": "scope-at-fault",
    "wiring": "wiring-at-fault",
    "probe/to_target": "probe-at-fault",
    "probe/from_target": "probe-at-fault",
}


def bench_or_board(station: Station, hooks: RunHooks, context: Context) -> Found:
    """Name the part. Where nobody is at the bench only what needs no hands is tried.

    Raises:
        DriverError, RunCancelled; NobodyCame: a step was not done in time.
    """
    rounds = {PRESENT: try_pattern(station, hooks, PRESENT)}
    if rounds[PRESENT].may_be_a_start:
        rounds[RESTED] = try_pattern(station, hooks, RESTED, rest_s=REST_S)
    named = name_part(rounds)
    walk = Walk(hooks, len(STEPS), room=station.room)
    for name in (LOOP_BACK, GOLDEN):
        if not context.asked.alone and name in named.next_rounds:
            done = walk.step(STEPS[name], _only_a_person_knows)
            if not done.skipped:
                rounds[name] = try_pattern(station, hooks, name)
                named = name_part(rounds)
    told = {
        "part": named.part,
        "how": named.how,
        "words": named.words,
        "rounds": [one.as_document() for one in rounds.values()],
        "next": list(named.next_rounds),
    }
    return Found(findings=_finding(named), more={"bench_or_board": told})


def try_pattern(station: Station, hooks: RunHooks, name: str, rest_s: float = 0.0) -> Round:
    """Send every value once and compare what was sent, carried, answered and heard.

    `rest_s`: nobody speaks for so long first, on the open port: opening one resets many boards.
    """
    hooks.progress("pattern", f"{name}: every value once", 0.1)
    text, _stream = texts(station)
    gathered = Gathered()
    with open_bench(
        dataclasses.replace(station, leave_as_found=True), relabelled(hooks, f"{name}: ")
    ) as bench:
        if rest_s:
            _rest(bench, rest_s)
        gather(bench, sound(bench), plans_for(bench, text), gathered)
    judgement = judge(gathered.shots, station.expectation(sent=text), gathered.findings)
    shots = judgement.shots
    seen = [int(v) for shot in shots for v in shot.to_target.characters.values]
    answered = [int(v) for shot in shots for v in shot.from_target.characters.values]
    return Round(
        name,
        len(text),
        len(seen),
        edits(text, seen),
        len(answered),
        edits(seen, answered),
        len(gathered.received),
        edits(text, gathered.received),
        any(f.code == "lines-bridged" for f in judgement.findings),
        _codes(f for f in judgement.findings if f.code in OF_THE_SCOPE),
        _codes(f for f in judgement.findings if f.side == DEVICE and f.severity == FAIL),
        prompt=next(
            (f.evidence["prompt_hex"] for f in judgement.findings if f.code == "boot-loader-waiting"), None
        ),
        link_codes=_codes(f for f in judgement.findings if f.line == TO_TARGET and f.severity == FAIL),
        link_percent=_off(judgement, TO_TARGET),
        board_percent=_off(judgement, FROM_TARGET),
    )


def _rest(bench: Bench, rest_s: float) -> None:
    """A record of two lines on which nobody speaks: it takes as long as it is."""
    bench.hooks.progress("rest", f"nobody speaks for {rest_s:g} s: a boot loader would leave now", 0.2)
    window = first_window(bench.station.logic)
    channels = [probe.channel for probe in bench.station.probes.values()]
    base = TimeBase(rest_s / REST_POINTS, REST_POINTS, 0.0)
    trigger = TriggerSetup(channels[0], level_v=window.offset_v)
    bench.forced(dict.fromkeys(channels, window), base, trigger, b"", "rest")


def _codes(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Each once, in their order."""
    return tuple(dict.fromkeys(f.code for f in findings))


def _off(judgement: Judgement, line: str) -> float | None:
    """By how many percent that line's rate is off."""
    return next((m.value for m in judgement.measurements if m.name == f"{line}.rate_deviation"), None)


def _only_a_person_knows() -> Look:
    return Look("waiting for you to go on", {}, seen=False)


def _finding(named: Named) -> tuple[Finding, ...]:
    if named.part is not None:
        line = named.part.split("/")[1] if "/" in named.part else None
        code, evidence = CODES[named.part], {"how": named.how}
        gravity = WARNING if code == "boot-loader-waiting" else None
        _, _, why = named.words.partition(": ")  # the code's own words have named the part
        return (make_finding(code, line, why or named.words, severity=gravity, evidence=evidence),)
    if named.how == UNKNOWN:
        return (make_finding("part-unknown", None, named.words, evidence={"next": list(named.next_rounds)}),)
    return ()
