"""Station checks of simulated benches, and what each kind must come to."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from service.check.check import run_check
from service.check.context import Context, Usual
from service.hooks import RunHooks
from service.pipeline.readings import FrameFormat
from simulator.faults import BENCHES, FIRMWARES, Kind
from tests.whole.benches import one_bench, station_of

FIRST = {
    "slow-timebase": "time-base-off",
    "range-stuck": "setting-refused",
    "gain-off": "swing-off",
    "long-ground": "ringing",
    "reference-missing": "no-activity",
    "reference-slow": "reference-on-line",
    "reference-low": "reference-on-line",
}
"""The finding that a check must name first, where it is another than an echo test's: a check knows more (a
channel at ground, two clocks, refused settings), and nobody has put the probes on the reference terminal."""


def check_of(
    *,
    transport: str = "socket",
    context: Context | None = None,
    hooks: RunHooks | None = None,
    only: tuple[str, ...] = (),
    **kinds: Any,
) -> dict[str, Any]:
    """The document of one check of a bench of these kinds, unattended without `only`."""
    frame = kinds.get("frame", "8N1")
    with one_bench(**kinds) as bench:
        station = station_of(bench, transport, frame=FrameFormat.parse(frame), identity=",,HS1001,")
        return run_check(station, hooks or RunHooks(), context or Context(), only)


@functools.cache
def usual_of_good(seed: int, **kinds: Any) -> Callable[[str], Usual | None]:
    """What a good bench of that seed usually shows."""
    items = check_of(seed=seed, **kinds)["items"]
    return {i["name"]: Usual(i["value"], 0.0, 10) for i in items if i["value"] is not None}.get


def first_code(kind: Kind) -> str | None:
    """Of the kind of bench, what must be named first."""
    return FIRST.get(kind.name, kind.finding)


def told_codes(document: dict[str, Any]) -> list[str]:
    """In their order, infos left out."""
    return [f["code"] for f in document["findings"] if f["severity"] != "info"]


def kinds_of(rows: tuple[Kind, ...]) -> dict[str, Kind]:
    return {row.name: row for row in rows}


BENCH_KINDS, FIRMWARE_KINDS = kinds_of(BENCHES), kinds_of(FIRMWARES)
