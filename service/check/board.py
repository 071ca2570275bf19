"""Whether the probes are back on the board's lines: characters are sent, and each line is looked at."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench
from service.check.items import CheckItem
from service.check.reference import wave_of
from service.hooks import Look
from service.nominal import most_v
from service.pipeline.findings import Finding, make_finding
from service.pipeline.reading import read_line
from service.pipeline.readings import LineReading
from service.shots import channel_label, trace_of
from service.sounding import SOUNDING_CHARACTER, first_window, forced_base, speaking_first
from service.stations import ROLES, Station

FEW = 4
DRIVEN = 0.5
"""A resting line above this part of its logic level is driven."""


@dataclass(frozen=True)
class BoardSight:
    """Both lines while characters were sent."""

    station: Station
    lines: Mapping[str, LineReading]
    received: bytes

    def spoke(self, role: str) -> bool:
        """Characters were on it, and not the scope's own square wave, which can be read as some too."""
        line = self.lines[role]
        return len(line.characters) > 0 and not self.on_reference(role)

    def on_reference(self, role: str) -> bool:
        """The tip still hangs on the reference terminal."""
        return wave_of(self.lines[role], self.station.reference.hertz) is not None

    @property
    def both_spoke(self) -> bool:
        return all(self.spoke(role) for role in ROLES)

    @property
    def exchanged(self) -> bool:
        """The line that only answers spoke first."""
        return self.both_spoke and speaking_first(self.lines) == "from_target"

    def as_look(self) -> Look:
        """Done when the to-target line spoke and the other answered it."""
        text = "; ".join(self._shown(role) for role in ROLES)
        if self.exchanged:
            text += "; the line that answers spoke first: the two tips are exchanged"
        return Look(text, seen=self.both_spoke and not self.exchanged)

    def noticed(self) -> Iterator[CheckItem | Finding]:
        """What a person left so."""
        labels = {role: channel_label(self.station.probes[role].channel) for role in ROLES}
        if self.exchanged:
            yield make_finding(
                "probes-exchanged",
                None,
                f"after the check {labels['from_target']} carries what the PC speaks, {labels['to_target']} "
                "what the board answers.",
            )
            return
        for role, code in (("to_target", "no-activity"), ("from_target", "line-undriven")):
            if not self.spoke(role) and not (role == "from_target" and self._silent(role)):
                yield make_finding(
                    code,
                    role,
                    f"after the check {labels[role]} shows no characters while the PC speaks.",
                    severity="warning",
                )

    def _silent(self, role: str) -> bool:
        """Somebody holds the line at its idle level and says nothing: that is the firmware's matter."""
        line, nominal = self.lines[role], most_v(self.station.logic)
        return line.levels is None and abs(line.flat_v or 0.0) > DRIVEN * nominal

    def _shown(self, role: str) -> str:
        line, label = self.lines[role], channel_label(self.station.probes[role].channel)
        if line.levels is None:
            return f"{label}: at rest, {line.flat_v or 0.0:.2f} V"
        if self.on_reference(role):
            return f"{label}: still the reference square wave"
        volts = f"{line.levels.low_v:.2f} to {line.levels.high_v:.2f} V"
        return f"{label}: {volts}, {len(line.characters)} characters"


def look_at_board(bench: Bench, label: str | None = None) -> BoardSight:
    """Send a few characters and look; kept under the label, if there is one.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    station = bench.station
    window = first_window(station.logic)
    windows = {probe.channel: window for probe in station.probes.values()}
    # above the lines: nothing sets the scope off before it is forced
    trigger = TriggerSetup(
        station.probes["to_target"].channel, window.offset_v + 0.45 * window.range_v, "rising"
    )
    asked = (windows, forced_base(bench, FEW), trigger, SOUNDING_CHARACTER * FEW)
    taken = bench.glance(*asked) if label is None else bench.forced(*asked, label)
    lines = {
        role: read_line(
            trace_of(taken.capture.channel(station.probes[role].channel), taken.capture),
            baud=station.baud,
            frame=station.frame,
            logic=station.logic,
        )
        for role in ROLES
    }
    return BoardSight(station, lines, taken.received)
