"""One shot of the test, taken once more where its record cannot be the whole truth.

- A record listens on for five times the allowed latency, the serial link for longer. When the link heard more
  characters than the record shows, the record was too short: it says neither that an echo is missing nor how
  late it is. It is taken again, longer.
- When the record holds something against the firmware that the link denies, a probe may have lost contact. It
  is taken again, and the two together decide (pipeline/witness.py).

What was taken first is kept as a look.
"""

from __future__ import annotations

from dataclasses import replace

from service.acquire import Bench
from service.known import seen_again
from service.pipeline.chain import judge_readings
from service.pipeline.evidence import ROLES, ReadShot
from service.pipeline.findings import Finding
from service.pipeline.read_shots import read_shots
from service.pipeline.witness import Contradiction, contact_lost, contradiction
from service.planning import LinePlan, ShotPlan, listening_longer
from service.recording import Taken, TimeBase
from service.shots import shot_of
from service.sounding import Sounding

DENIED = "denied by the link: "
"""Before the label of a shot that was taken again because the link had heard something else."""
SHORT = "too short: "
"""Before the label of a shot that was taken again longer."""


def shoot(bench: Bench, sounding: Sounding, plan: ShotPlan, label: str) -> tuple[Taken | None, list[Finding]]:
    """The shot, None when nothing triggered; and what two takes of it say of a contact.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    left, first = [DENIED, SHORT], None
    while True:
        taken, why = _look(bench, sounding, plan, label, left, first)
        if taken is None or not why:
            break
        left.remove(why)
        if why == DENIED:
            first = _denied(bench, plan, taken)
            bench.hooks.progress("shooting", f"{label}: the link heard something else, once more", 0.2)
        else:
            plan = _longer(bench, plan, taken, _read(bench, plan, taken)) or plan
            bench.hooks.progress("shooting", f"{label}: echoes came after the record's end, once more", 0.2)
    if taken is None or first is None:
        return taken, []
    told = contact_lost(first, _denied(bench, plan, taken))
    return taken, [] if told is None else [told]


def _look(
    bench: Bench, sounding: Sounding, plan: ShotPlan, label: str, left: list[str], first: Contradiction | None
) -> tuple[Taken | None, str]:
    """One take and why it has to be taken again: one of `left`, nothing where it counts."""
    for why in left:
        if (before := bench.kept(why + label)) is not None:
            return before, why
    found = ""

    def finish(taken: Taken) -> tuple[Taken, str]:
        nonlocal found
        taken, found = _examined(bench, plan, taken, left, first)
        return taken, found + label

    base = TimeBase(plan.sample_interval_s, plan.points, plan.trigger_position)
    taken = bench.triggered(sounding.windows, base, sounding.trigger, plan.payload, label, finish=finish)
    return taken, found


def _examined(
    bench: Bench, plan: ShotPlan, taken: Taken, left: list[str], first: Contradiction | None
) -> tuple[Taken, str]:
    """The take, with what the link still brought where that matters, and why it does not count."""
    read = _read(bench, plan, taken)
    if _denied(bench, plan, taken, read) is not None:
        taken = replace(taken, more=bench.listen_on())
        denied = _denied(bench, plan, taken, read)
        if denied is not None and DENIED in left:
            return taken, DENIED
        if denied is not None and first is not None and denied.same_as(first):
            taken = replace(taken, capture=seen_again(taken.capture))
    return taken, SHORT if SHORT in left and _longer(bench, plan, taken, read) is not None else ""


def _read(bench: Bench, plan: ShotPlan, taken: Taken) -> ReadShot:
    to_target, from_target = (bench.station.probes[role].channel for role in ROLES)
    shot = replace(shot_of(taken.capture, to_target, from_target, plan.payload), owed=taken.owed)
    return read_shots([shot], bench.station.expectation(sent=plan.payload))[0]


def _denied(bench: Bench, plan: ShotPlan, taken: Taken, read: ReadShot | None = None) -> Contradiction | None:
    """What the record holds against the firmware in spite of what the link heard."""
    judgement = judge_readings(
        [read or _read(bench, plan, taken)], bench.station.expectation(sent=plan.payload)
    )
    return contradiction(judgement, plan.payload, taken.received + taken.more)


def _longer(bench: Bench, plan: ShotPlan, taken: Taken, read: ReadShot) -> ShotPlan | None:
    """The plan of a longer record, None where that would show nothing more or cannot be had."""
    station = bench.station
    line = LinePlan(station.baud, station.frame, station.limits.latency_max_s)
    longer = listening_longer(plan, bench.patience_s, line, bench.memory)
    if longer is None or len(taken.received) == 0:
        return None
    seen = [len(read.line(role).characters) for role in ROLES]
    return longer if min(seen) < min(len(taken.received), max(seen)) else None
