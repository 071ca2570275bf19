"""The front panel as it was found: what somebody set otherwise than every run sets it, what was changed since
the last run, and whether the scope was switched off and on. Nothing of it harms a run, which sets and reads
back what it needs; people want to know.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from service.hooks import Met, Since
from service.pipeline.findings import Finding, make_finding

if TYPE_CHECKING:
    from drivers.scope.found_panel import FoundChannel, FoundPanel
    from drivers.scope.scope import Scope
    from service.stations import Station

SAME = 1e-3
SINCE_LAST = ("power-cycled", "settings-touched")
"""Codes of `findings_since`."""


def met_by(station: Station, scope: Scope) -> Met:
    """How a run of the station finds its scope, which it has just opened."""
    panel = scope.found
    return Met(
        scope=name_of(station, scope),
        switched_on=bool(scope.switched_on),
        panel=None if panel is None else as_document(panel),
        owed=scope.found_said if station.leave_as_found else None,
        unusual=() if panel is None else unusual(panel, station),
    )


def name_of(station: Station, scope: Scope) -> str:
    """By what a scope is known from run to run: its address and who answers there."""
    who = scope.identity
    return f"{station.scope} {who.maker},{who.model},{who.serial}"


def as_document(panel: FoundPanel) -> dict[str, Any]:
    """Flat, JSON: `ch1 coupling` -> "DC". What could not be read is left out."""
    flat: dict[str, Any] = {
        "trigger source": panel.source_said,
        "trigger level_v": panel.level_v,
        "trigger slope": panel.slope_said,
        **{f"trigger {name}": fixed.said for name, fixed in panel.fixed.items()},
        "record points": panel.points,
        "record interval_s": panel.interval_s,
        "trigger place": panel.place,
        **{f"record {name}": fixed.said for name, fixed in panel.sweep_fixed.items()},
    }
    for name, channel in panel.channels.items():
        told = {k: v for k, v in asdict(channel).items() if k != "fixed"}
        told |= {f.name: f.said for f in channel.fixed.values()}
        flat |= {f"ch{name} {key}": value for key, value in told.items()}
    return {key: value for key, value in flat.items() if value is not None}


def unusual(panel: FoundPanel, station: Station) -> list[str]:
    """What no run of ours would have left so, in words."""
    words = [f"trigger {name} {fixed.said}" for name, fixed in panel.fixed.items() if fixed.right is False]
    for probe in station.probes.values():
        channel = panel.channels.get(probe.channel)
        if channel is not None:
            words += _of_channel(probe.channel, channel, probe.ratio)
    return words


def _of_channel(name: str, channel: FoundChannel, ratio: float) -> Iterator[str]:
    if channel.coupling not in (None, "DC"):
        yield f"ch{name} coupling {channel.coupling}"
    if channel.ratio is not None and not math.isclose(channel.ratio, ratio, rel_tol=SAME):
        yield f"ch{name} probe factor {channel.ratio:g} (the probe has {ratio:g})"
    if channel.on is False:
        yield f"ch{name} off"
    yield from (f"ch{name} {f.name} {f.said}" for f in channel.fixed.values() if f.right is False)


def changed(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What differs between two panels, in words; only what both tell."""
    return [
        f"{key} {_shown(before[key])} -> {_shown(now[key])}"
        for key in sorted(set(before) & set(now))
        if not _same(before[key], now[key])
    ]


def findings_since(since: Since) -> tuple[Finding, ...]:
    """What is to be said of it. A scope that was off has forgotten its settings: no hand changed those."""
    facts = {"changed": list(since.changed or ()), "otherwise_than_a_run": list(since.unusual)}
    if since.switched_on:
        words = "it says so itself (power-on bit); this run set everything anew, so what it measured stands."
        return (make_finding("power-cycled", None, words, evidence=facts),)
    if since.changed:
        return (make_finding("settings-touched", None, f"{', '.join(since.changed)}.", evidence=facts),)
    return ()


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=SAME, abs_tol=1e-15)
    return bool(one == other)


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
