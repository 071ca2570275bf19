"""The echo test as a run: sound the bench, send the payload in planned shots, judge what the scope saw.

sounding -> planning -> shots -> judge. Nothing here talks to an instrument by itself (acquire.py does) and
nothing here judges (the pipeline does).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from drivers.errors import IdentityError, InstrumentError
from service.acquire import Bench, open_bench
from service.closeup import look_closely
from service.hooks import RunHooks
from service.panel import findings_since
from service.pipeline.chain import judge
from service.pipeline.document import result_document
from service.pipeline.findings import Finding, make_finding
from service.pipeline.trace import Shot
from service.planning import LinePlan, ShotPlan, plan_shots
from service.recording import Taken
from service.retaking import shoot
from service.room_rules import all_of
from service.shots import shot_of
from service.sounding import SOUNDING_CHARACTER, Sounding, forced_base, sound
from service.stations import Station
from service.untriggered import why_untriggered


@dataclass
class Gathered:
    """What the shots have brought so far."""

    shots: list[Shot] = field(default_factory=list)
    """Of the test, and the close-up."""
    findings: list[Finding] = field(default_factory=list)
    received: bytearray = field(default_factory=bytearray)


def run_echo_test(station: Station, payload: bytes, hooks: RunHooks) -> dict[str, Any]:
    """Run one echo test now and return the result document (schema 1).

    Args:
        payload: what the PC sends; judged is what the to-target line really carried.

    Raises:
        DriverError: instrument or link not reachable, or an answer that cannot be trusted.
            (An instrument that refuses, or another instrument, is a finding and no exception.)
        RunCancelled: `hooks.cancelled` said so; the scope was left idle.
        ValueError: the payload is empty.
    """
    hooks.progress("connecting", f"opening {station.scope} and {station.serial}{caution(station)}", 0.0)
    gathered = Gathered()
    try:
        with open_bench(station, hooks) as bench:
            try:
                gather(bench, sound(bench), plans_for(bench, payload), gathered)
            finally:
                gathered.findings += bench.volts.findings()
    except (InstrumentError, IdentityError) as told:
        gathered.findings.append(_of_the_scope(told))
    gathered.findings += findings_since(hooks.since())
    hooks.progress("judging", "reading both lines", 0.9)
    judgement = judge(gathered.shots, station.expectation(sent=payload), gathered.findings)
    document = result_document(judgement)
    document["local_rules"] = list(all_of(station.room))
    document["link"] = {"sent_hex": payload.hex(), "received_hex": bytes(gathered.received).hex()}
    hooks.progress("done", f"verdict: {document['verdict']}", 1.0)
    return document


def caution(station: Station) -> str:
    """What must be said before an input is switched to 50 ohm; nothing where none is."""
    low = ", ".join(probe.channel for probe in station.probes.values() if probe.input_ohm == 50.0)
    if not low:
        return ""
    return f"; CAUTION: input {low} goes to 50 ohm, where 5 V at the connector can destroy it"


def _of_the_scope(told: InstrumentError | IdentityError) -> Finding:
    """The scope answers but refuses, or it is another one: what was captured before is still judged."""
    if isinstance(told, IdentityError):
        return make_finding("identity-changed", None, str(told), severity="fail")
    entries = [list(entry) for entry in told.entries]
    return make_finding("instrument-error", None, str(told), severity="fail", evidence={"entries": entries})


def plans_for(bench: Bench, payload: bytes) -> tuple[ShotPlan, ...]:
    """The shots that carry `payload` on this station. ValueError: it is empty."""
    line = LinePlan(bench.station.baud, bench.station.frame, bench.station.limits.latency_max_s)
    return plan_shots(payload, line, bench.memory)


def gather(bench: Bench, sounding: Sounding, plans: Sequence[ShotPlan], gathered: Gathered) -> None:
    """A close-up, then the planned shots; forced records where nothing triggers, and why.

    What was taken is in `gathered` even when this raises as `Bench` does.
    """
    closeup = look_closely(bench, sounding) if sounding.triggered else None
    if closeup is not None:
        _add(gathered, bench, closeup, SOUNDING_CHARACTER, closeup=True)
    for number, plan in enumerate(plans):
        fraction = 0.2 + 0.7 * number / len(plans)
        bench.hooks.progress("shooting", f"shot {number + 1} of {len(plans)}", fraction)
        label = f"shot {number + 1}"
        triggers = sounding.triggered and not _gave_up_before(bench, label)
        taken, told = shoot(bench, sounding, plan, label) if triggers else (None, [])
        gathered.findings += told
        if taken is None:
            _look_without_trigger(bench, sounding, plans[number:], gathered)
            break
        _add(gathered, bench, taken, plan.payload)


def _gave_up_before(bench: Bench, label: str) -> bool:
    """Whether this run, before its program died, had gone over to forced records at that shot."""
    return bench.hooks.kept(label) is None and bench.hooks.kept("forced shot 1") is not None


def _look_without_trigger(
    bench: Bench, sounding: Sounding, remaining: Sequence[ShotPlan], gathered: Gathered
) -> None:
    """The rest of the payload in forced records: what can be judged still is, and the cause is named."""
    bench.hooks.progress("looking", "nothing triggers: taking forced records to see why", 0.6)
    for number, plan in enumerate(remaining):
        base = forced_base(bench, len(plan.payload))
        taken = bench.forced(
            sounding.windows, base, sounding.trigger, plan.payload, f"forced shot {number + 1}"
        )
        _add(gathered, bench, taken, plan.payload)
        if number == 0:
            gathered.findings.extend(why_untriggered(bench.station, taken, sounding.trigger))


def _add(gathered: Gathered, bench: Bench, taken: Taken, sent: bytes, *, closeup: bool = False) -> None:
    probes = bench.station.probes
    shot = shot_of(taken.capture, probes["to_target"].channel, probes["from_target"].channel, sent)
    if closeup:
        gathered.shots.append(dataclasses.replace(shot, closeup=True))
        return
    gathered.shots.append(dataclasses.replace(shot, owed=taken.owed))
    gathered.received += taken.received
    bench.unanswered.clear()  # what this shot leaves unanswered shows in its record
