"""Any reading above the plan's limit is told at once, whatever run it belongs to (needs of this house, 9.12).

What is told is a level that a line holds, not the tip of an overshoot; a probe whose factor is wrong by ten
shows more volts than there are, and is a finding of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from drivers.scope.capture import Capture
from service.check.cautions import TOO_HIGH, stop_above_v
from service.hooks import RunHooks
from service.nominal import factor_of, most_v
from service.pipeline.findings import Finding, make_finding
from service.pipeline.trace import Trace
from service.shots import channel_label, trace_of
from service.stations import Station

HELD = 0.01
"""A level is held when the line is there for such a part of the record."""
LOOKED_AT = 20_000
"""Samples of a long record that are looked at, evenly spread."""


@dataclass
class VoltageWatch:
    """Looks at every capture of a run. `highest`: role -> the volts farthest from zero above the limit."""

    station: Station
    hooks: RunHooks
    highest: dict[str, float] = field(default_factory=dict)

    def look(self, capture: Capture) -> None:
        """Say it, once a line and run, as soon as it is seen."""
        names = {record.name for record in capture.channels}
        for role, probe in self.station.probes.items():
            if probe.channel not in names:
                continue
            volts = held_volts(trace_of(capture.channel(probe.channel), capture))
            if volts is None or not self._too_high(volts):
                continue
            if role not in self.highest:
                self.hooks.progress("stop", words_for(self.station, role, volts), 0.5)
            self.highest[role] = max(self.highest.get(role, 0.0), volts, key=abs)

    def findings(self) -> list[Finding]:
        """One for each line on which there was too much."""
        return [finding_of(self.station, role, volts) for role, volts in self.highest.items()]

    def _too_high(self, volts: float) -> bool:
        usual_v = most_v(self.station.logic)
        if abs(volts) <= stop_above_v(usual_v, self.station.check_limits):
            return False
        known = (usual_v, self.station.reference.volts)
        return all(factor_of(abs(volts), one) != 10.0 for one in known)


def held_volts(trace: Trace) -> float | None:
    """The volts farthest from zero that the line holds for HELD of the record.

    None for an empty record, and where the line lies at the end of the range: how much it has is seen in a
    wider one, and taking the end for its level would make nine volts of thirty-three.
    """
    if not len(trace.codes):
        return None
    codes = trace.codes[:: max(len(trace.codes) // LOOKED_AT, 1)]
    ends = np.quantile(codes, (HELD, 1 - HELD), method="nearest")
    code = max(ends, key=lambda c: abs(_volts(trace, float(c))))
    at_top = trace.code_max is not None and code >= trace.code_max
    at_bottom = trace.code_min is not None and code <= trace.code_min
    return None if at_top or at_bottom else _volts(trace, float(code))


def _volts(trace: Trace, code: float) -> float:
    return code * trace.volts_per_code + trace.volts_at_code_zero


def words_for(station: Station, role: str, volts: float) -> str:
    """What is told to whoever is there."""
    limit = stop_above_v(most_v(station.logic), station.check_limits)
    return TOO_HIGH.format(channel=channel_label(station.probes[role].channel), volts=volts, limit=limit)


def finding_of(station: Station, role: str, volts: float) -> Finding:
    """voltage-too-high, with the numbers."""
    limit = stop_above_v(most_v(station.logic), station.check_limits)
    label = channel_label(station.probes[role].channel)
    words = f"{label} reads {volts:.3g} V, the limit is {limit:.3g} V."
    return make_finding("voltage-too-high", role, words, evidence={"volts": volts, "limit_v": limit})
