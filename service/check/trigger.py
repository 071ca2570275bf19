"""The trigger doctor: why the scope, as somebody left it, does not trigger; sets it right when asked.

The panel is read before anything is changed and tried as it is; then a record is forced while characters are
sent, so that the signal is seen whatever the trigger would do, and rules say what cannot work, with numbers.
Unless it is set right, everything is left as it was found.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from drivers.scope.found_panel import FoundPanel
from service.acquire import Bench, open_bench
from service.check.items import CheckItem, make_item
from service.check.trigger_rules import EDGE_OF_SIGNAL, Case, explain_trigger, inverted, margin_percent
from service.hooks import RunHooks
from service.pipeline.findings import Finding, make_finding
from service.shots import channel_label
from service.sounding import SOUNDING_CHARACTER, Sounding, look_without_trigger, sounding_base
from service.stations import Station
from service.untriggered import why_untriggered

SAME_RATIO = 1e-3


@dataclass(frozen=True)
class TriggerDiagnosis:
    """What the doctor found and did. `proposal` in words; `set_right`: it was done, and it fires now."""

    items: tuple[CheckItem, ...]
    findings: tuple[Finding, ...]
    proposal: str
    set_right: bool = False


def diagnose_trigger(station: Station, hooks: RunHooks, *, set_right: bool = False) -> TriggerDiagnosis:
    """Look at the trigger as it was found; nothing else may hold the station's scope.

    After a crash it begins anew: what it saw then may have been touched since.

    Raises:
        DriverError: scope or link not reachable. RunCancelled.
    """
    fresh = dataclasses.replace(hooks, kept=lambda _label: None)
    with open_bench(dataclasses.replace(station, leave_as_found=True), fresh) as bench:
        panel = bench.scope.found
        assert panel is not None  # it was opened to be left as found
        hooks.progress("trigger", "trying the trigger as it was found", 0.1)
        fired = bench.fires(SOUNDING_CHARACTER)
        hooks.progress("trigger", "forcing a record to see the signal", 0.3)
        sounding = look_without_trigger(bench)
        case = _case(station, panel, sounding)
        findings = _findings(station, case, sounding, fired)
        proposal = propose(case, sounding)
        done = False
        if sounding_shows_signal(sounding):
            hooks.progress("trigger", f"trying {proposal}", 0.6)
            doubts = _doubts(bench, sounding)
            findings = (*findings, *doubts)
            if set_right and not doubts:
                hooks.progress("trigger", "setting it right", 0.9)
                done = _leave_right(bench, case, sounding)
                findings = tuple(_done(f, proposal) for f in findings) if done else findings
    hooks.progress("trigger", "done", 1.0)
    return TriggerDiagnosis(_items(case, findings, fired), findings, proposal, done)


def sounding_shows_signal(sounding: Sounding) -> bool:
    """Whether any line moved."""
    return any(line.levels is not None for line in sounding.lines.values())


def propose(case: Case, sounding: Sounding) -> str:
    """The settings that work, in words."""
    if not case.lively:
        return "nothing: no channel shows a signal to trigger on"
    trigger = sounding.trigger
    return (
        f"edge trigger, source {channel_label(trigger.source)}, level {trigger.level_v:.3g} V, "
        f"{trigger.slope} slope, DC coupling, single shots"
    )


def _case(station: Station, panel: FoundPanel, sounding: Sounding) -> Case:
    roles = {probe.channel: role for role, probe in station.probes.items()}
    lines = {station.probes[role].channel: line for role, line in sounding.lines.items()}
    return Case(
        panel=panel,
        lines=lines,
        roles=roles,
        ratios={probe.channel: float(probe.ratio) for probe in station.probes.values()},
        means_v={
            name: float(np.mean(line.trace.codes)) * line.trace.volts_per_code + line.trace.volts_at_code_zero
            for name, line in lines.items()
        },
        character_s=station.frame.total_bits / station.baud,
    )


def _findings(station: Station, case: Case, sounding: Sounding, fired: bool | None) -> tuple[Finding, ...]:
    found = explain_trigger(case)
    if not case.lively:
        return (*found, *why_untriggered(station, sounding.taken, sounding.trigger))
    if fired is False and not found:
        return (
            make_finding(
                "instrument-error",
                None,
                "every trigger setting that can be read is right, yet a character did not set it off.",
                remedy="Look at what the dialect cannot ask for: filters, modes, options that are on.",
            ),
        )
    return found


def _doubts(bench: Bench, sounding: Sounding) -> tuple[Finding, ...]:
    """Whether the proposal works: it is tried. Empty when it does."""
    base, trigger = sounding_base(bench), sounding.trigger
    if bench.triggered(sounding.windows, base, trigger, SOUNDING_CHARACTER, "trigger as proposed"):
        return ()
    return why_untriggered(bench.station, sounding.taken, trigger)


def _leave_right(bench: Bench, case: Case, sounding: Sounding) -> bool:
    """Put back all but the trigger, and the source's channel where that is wrong; whether it fires then."""
    source = sounding.trigger.source
    kept = ("trigger ", *([] if _fits(case, source) else [f"ch{source} "]))
    bench.scope.put_back(keep=lambda name: name.startswith(kept))
    return bench.fires(SOUNDING_CHARACTER) is True


def _fits(case: Case, source: str) -> bool:
    """Whether the channel as found shows the signal as it is, and all of it."""
    found, shown = case.panel.channels[source], case.shown(source)
    if found.on is False or found.coupling not in (None, "DC") or inverted(found) or shown is None:
        return False
    if found.ratio is not None and abs(found.ratio / case.ratios[source] - 1) > SAME_RATIO:
        return False
    if found.range_v is None or found.offset_v is None:
        return True
    half = found.range_v / 2
    return found.offset_v - half < shown.low_v and shown.high_v < found.offset_v + half


def _done(finding: Finding, proposal: str) -> Finding:
    return dataclasses.replace(
        finding,
        severity="info",
        message=f"{finding.message} It has been set right: {proposal}.",
        remedy="Nothing to do.",
    )


def _items(case: Case, findings: tuple[Finding, ...], fired: bool | None) -> tuple[CheckItem, ...]:
    faults = sum(f.severity != "info" for f in findings)
    done = sum(f.severity == "info" for f in findings)
    told = f"{done} set right" if done else ""
    misses = None if fired is None else float(not fired)
    items = [
        make_item("trigger_faults", faults, 0.0, "scope", high=0.0, because=told),
        make_item("found_trigger_misses", misses, 0.0, "scope", high=0.0),
    ]
    margin, source = margin_percent(case), case.panel.source
    if margin is not None and source is not None and not done:
        levels = case.lines[source].levels
        assert levels is not None  # without them there is no margin
        u = 100.0 * max(levels.u_low_v, levels.u_high_v) / levels.amplitude_v
        items.append(make_item("trigger_margin", margin, u, "scope", low=100.0 * EDGE_OF_SIGNAL))
    return tuple(items)
