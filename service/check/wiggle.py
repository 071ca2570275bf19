"""The wiggle test: a person moves cable and clip while both lines are watched for a lost contact.

Records of a second follow each other; drop-outs of each line are counted as they come and shown at once. The
step is done when both lines were watched for as long as is wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench, open_bench
from service.check import cautions
from service.check.items import CheckItem, make_item
from service.check.walk import Step, Walk
from service.hooks import Look, RunHooks
from service.nominal import NOMINAL_V
from service.pipeline.dropouts import find_dropouts
from service.pipeline.findings import Finding, make_finding
from service.pipeline.numbers import quantity
from service.pipeline.trace import Trace
from service.recording import Taken, TimeBase
from service.shots import channel_label, trace_of
from service.sounding import first_window
from service.stations import ROLES, Station

WATCHED_S = 10.0
"""Of records in which the contact is looked at (needs of this house, G3)."""
RECORD_S, INTERVAL_S = 1.0, 20e-6
"""A drop-out of 1 ms is then fifty samples."""
NEAR_ZERO = 0.3
"""A line that idles nearer to zero than this part of the logic swing cannot show a lost contact."""
KEPT = 5
"""Records with a drop-out that are kept as evidence, at most."""


@dataclass(frozen=True)
class Wiggled:
    """What the test brought."""

    items: tuple[CheckItem, ...]
    findings: tuple[Finding, ...]
    more: Mapping[str, Any]


def wiggle(
    station: Station, hooks: RunHooks, shared: Walk | None = None, *, watched_s: float = WATCHED_S
) -> Wiggled:
    """Watch both lines while a person moves cables and clips; the probes stay on the board's lines.
    `shared`: steps of a longer walk.

    Raises:
        DriverError, RunCancelled, NobodyCame.
    """
    with open_bench(station, hooks) as bench:
        watch = _Watch(bench, watched_s)
        done = (shared or Walk(hooks, 1, room=station.room)).step(
            _step(station, watched_s), watch.look, every_s=0.0, steady=1
        )
    values = dict(done.values or watch.values())
    noticed = [] if done.skipped else list(_noticed(station, values))
    return Wiggled(
        tuple(one for one in noticed if isinstance(one, CheckItem)),
        tuple(one for one in noticed if isinstance(one, Finding)),
        {"wiggle": {**values, "by": done.by, "skipped": done.skipped}},
    )


class _Watch:
    """Looks of one wiggle test, counted."""

    def __init__(self, bench: Bench, wanted_s: float) -> None:
        self._bench = bench
        self._station = bench.station
        self._wanted_s = wanted_s
        self._watched_s = 0.0
        self._counts = dict.fromkeys(ROLES, 0)
        self._longest_s = dict.fromkeys(ROLES, 0.0)
        self._blind: set[str] = set()
        self._kept = 0

    def look(self) -> Look:
        """One record more; done when there are enough of them."""
        window = first_window(self._station.logic)
        windows = {probe.channel: window for probe in self._station.probes.values()}
        # above the lines: nothing sets the scope off before it is forced
        above = TriggerSetup(self._channel(ROLES[0]), window.offset_v + 0.45 * window.range_v, "rising")
        taken = self._bench.glance(windows, self._base(), above)
        found = sum(self._count(role, taken) for role in ROLES)
        if found and self._kept < KEPT:
            self._kept += 1
            self._bench.hooks.keep(taken.capture, f"drop-out {self._kept}")
        self._watched_s += taken.capture.sample_interval_s * self._base().points
        return Look(self._words(), self.values(), seen=self._watched_s > self._wanted_s - RECORD_S / 10)

    def values(self) -> dict[str, Any]:
        """As JSON, so that a run whose program died knows them."""
        return {
            "watched_s": round(self._watched_s, 6),
            "counts": dict(self._counts),
            "longest_s": dict(self._longest_s),
            "blind": sorted(self._blind),
        }

    def _count(self, role: str, taken: Taken) -> int:
        trace = trace_of(taken.capture.channel(self._channel(role)), taken.capture)
        low, high = NOMINAL_V[self._station.logic]
        driven_v = _usual_v(trace)
        if abs(driven_v) < NEAR_ZERO * (high - low) and not self._counts[role]:
            self._blind.add(role)
            return 0
        found = find_dropouts(trace, driven_v, baud=self._station.baud)
        if found is None:
            self._blind.add(role)
            return 0
        self._blind.discard(role)
        self._counts[role] += found.count
        longest = float(found.lengths_s.max()) if found.count else 0.0
        self._longest_s[role] = max(self._longest_s[role], longest)
        return found.count

    def _words(self) -> str:
        lines = "; ".join(self._line(role) for role in ROLES)
        return f"{min(self._watched_s, self._wanted_s):.0f} s of {self._wanted_s:.0f} s; {lines}"

    def _line(self, role: str) -> str:
        label = channel_label(self._channel(role))
        if role in self._blind:
            return f"{label}: rests near 0 V, a lost contact would not show"
        count = self._counts[role]
        if not count:
            return f"{label}: no drop-out"
        longest = quantity(self._longest_s[role], "s", digits=2)
        return f"{label}: {count} drop-out{'s' if count > 1 else ''}, the longest {longest}"

    def _base(self) -> TimeBase:
        points = min(int(RECORD_S / INTERVAL_S), self._bench.memory.max_points)
        return TimeBase(INTERVAL_S, points, 0.0)

    def _channel(self, role: str) -> str:
        return self._station.probes[role].channel


def _usual_v(trace: Trace) -> float:
    """Where the line rests: what most samples show."""
    codes, counts = np.unique(trace.codes, return_counts=True)
    return float(codes[counts.argmax()]) * trace.volts_per_code + trace.volts_at_code_zero


def _noticed(station: Station, values: Mapping[str, Any]) -> Iterator[CheckItem | Finding]:
    watched_s = float(values["watched_s"])
    for role in ROLES:
        label, count = channel_label(station.probes[role].channel), int(values["counts"][role])
        known = role not in values["blind"] and watched_s > 0
        because = f"{label} watched for {watched_s:.3g} s"
        subject = f"probe/{role}"
        if not known:
            yield make_item(f"{role}.dropouts", None, None, subject, because=f"{label} rests near 0 V")
            continue
        yield make_item(f"{role}.dropouts", float(count), 0.0, subject, high=0.0, because=because)
        if count:
            longest_s = float(values["longest_s"][role])
            yield make_finding(
                "contact-lost",
                role,
                f"{label} lost contact {count} time{'s' if count > 1 else ''} in {watched_s:.3g} s, the "
                f"longest for {quantity(longest_s, 's', digits=2)}.",
                evidence={"count": count, "longest_s": longest_s, "watched_s": watched_s},
            )


def _step(station: Station, watched_s: float) -> Step:
    labels = " and ".join(channel_label(station.probes[role].channel) for role in ROLES)
    return Step(
        "wiggle",
        f"Leave the tips of {labels} on the board's lines. For {watched_s:.0f} s bend each cable at both "
        "ends, turn each tip in its place, move each ground clip.",
        cautions.WIGGLE,
    )
