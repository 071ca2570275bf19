"""One shot of the test, taken once more with a longer record where echoes came after the end of the first.

A record listens on for five times the allowed latency, the serial link for longer. When the link heard more
characters than the record shows, the record was too short: it says neither that an echo is missing nor how
late it is. It is kept as a look, and the shot is taken again.
"""

from __future__ import annotations

from collections.abc import Callable

from service.acquire import Bench, Taken, TimeBase
from service.planning import LinePlan, ShotPlan, listening_longer
from service.sounding import Sounding, read_lines

SHORT = "too short: "
"""Before the label of a shot that was taken again."""


def shoot(bench: Bench, sounding: Sounding, plan: ShotPlan, label: str) -> Taken | None:
    """The shot; None when nothing triggered.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """

    def named(taken: Taken) -> str:
        return label if _longer(bench, plan, taken) is None else SHORT + label

    taken = bench.kept(SHORT + label)
    if taken is None:
        taken = _take(bench, sounding, plan, label, named)
    longer = None if taken is None else _longer(bench, plan, taken)
    if longer is None:
        return taken
    bench.hooks.progress("shooting", f"{label}: echoes came after the record's end, once more", 0.2)
    return _take(bench, sounding, longer, label)


def _take(
    bench: Bench, sounding: Sounding, plan: ShotPlan, label: str, rename: Callable[[Taken], str] | None = None
) -> Taken | None:
    base = TimeBase(plan.sample_interval_s, plan.points, plan.trigger_position)
    return bench.triggered(sounding.windows, base, sounding.trigger, plan.payload, label, rename=rename)


def _longer(bench: Bench, plan: ShotPlan, taken: Taken) -> ShotPlan | None:
    """The plan of a longer record, None where that would show nothing more or cannot be had."""
    station = bench.station
    line = LinePlan(station.baud, station.frame, station.limits.latency_max_s)
    longer = listening_longer(plan, bench.patience_s, line, bench.memory)
    if longer is None or len(taken.received) == 0:
        return None
    seen = [len(reading.characters) for reading in read_lines(bench, taken).values()]
    return longer if min(seen) < min(len(taken.received), max(seen)) else None
