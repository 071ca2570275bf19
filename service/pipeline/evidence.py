"""The record that the judging steps hand on: each step fills in its part and leaves the rest as it was."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from service.pipeline.echoes import Echo
from service.pipeline.expectation import Expectation
from service.pipeline.families import Family, family, likely_family
from service.pipeline.readings import LineReading

if TYPE_CHECKING:
    from service.pipeline.criteria import Criterion
    from service.pipeline.findings import Finding
    from service.pipeline.lines import Line
    from service.pipeline.measurements import Measurement

TO_TARGET, FROM_TARGET = "to_target", "from_target"
ROLES = (TO_TARGET, FROM_TARGET)


@dataclass(frozen=True, eq=False)
class ReadShot:
    """Both lines of one shot as the signal side has read them, by role."""

    to_target: LineReading
    from_target: LineReading
    sent: bytes | None = None
    """What the PC wrote for this shot, where that is known."""
    triggered: bool = True
    trigger_level_v: float | None = None
    owed: bytes = b""
    """Sent before this shot and not answered by then."""

    def line(self, role: str) -> LineReading:
        """The reading of that role."""
        reading: LineReading = getattr(self, role)
        return reading

    def with_line(self, role: str, reading: LineReading) -> ReadShot:
        """The same with another reading of that role."""
        return replace(self, to_target=reading) if role == TO_TARGET else replace(self, from_target=reading)

    @property
    def begun_in_traffic(self) -> bool:
        """True when characters may have gone over the lines just before the record began."""
        cut = any(len(self.line(r).characters) and self.line(r).characters.first_edge[0] < 0 for r in ROLES)
        return cut or not self.triggered


def rate_candidates(reading: LineReading) -> list[float]:
    """Rates (Bd) that a record allows, most likely first; empty where nothing had to be searched for."""
    return [float(c["baud"]) for c in reading.notes.get("rate_candidates", ())]


@dataclass(frozen=True)
class Coupling:
    """A copy of the other line's steps on a line at rest, in percent of the other line's swing."""

    role: str
    percent: float
    shots: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Evidence:
    """All that is known so far about one test."""

    shots: tuple[ReadShot, ...]
    expectation: Expectation
    given: tuple[Finding, ...] = ()
    """Findings of the acquisition, made before the judging began."""
    closeups: tuple[ReadShot, ...] = ()
    """Finely sampled records in which edges are measured; no part of the test."""
    exchanged: bool = False
    """The probes were exchanged: the roles of the shots already follow the traffic."""
    bridged: tuple[int, ...] = ()
    """Shots in which the from-target line carries the to-target line's own characters."""
    couplings: tuple[Coupling, ...] = ()
    echoes: tuple[Echo, ...] = ()
    lines: dict[str, Line] = field(default_factory=dict)
    measurements: tuple[Measurement, ...] = ()
    findings: tuple[Finding, ...] = ()
    criteria: tuple[Criterion, ...] = ()

    def with_(self, **changes: Any) -> Evidence:
        """The same with some parts replaced."""
        return replace(self, **changes)

    def readings(self, role: str) -> Iterator[tuple[int, LineReading]]:
        """(shot, reading) of that role, in order."""
        for number, shot in enumerate(self.shots):
            yield number, shot.line(role)

    @property
    def family(self) -> Family | None:
        """The stated logic family, else the one that the levels point to, else None."""
        if self.expectation.logic is not None:
            return family(self.expectation.logic)
        for role in ROLES:
            line = self.lines.get(role)
            if line is not None and line.low_v is not None and line.high_v is not None:
                likely = likely_family(line.low_v, line.high_v)
                if likely is not None:
                    return likely
        return None
