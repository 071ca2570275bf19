"""From names of kinds to the plan of a bench. The rows: firmwares.py, benches.py, check_benches.py,
trigger_benches.py; how names are joined: kinds.py.
"""

from __future__ import annotations

from dataclasses import replace

from simulator.ageing import aged
from simulator.benches import BENCHES
from simulator.check_benches import SCALED_BENCHES
from simulator.firmwares import FIRMWARES
from simulator.frame import Frame
from simulator.kinds import Kind, changed, kind, kinds_of
from simulator.plan import BenchPlan, healthy
from simulator.scope.makers import maker_of

__all__ = ["BENCHES", "FIRMWARES", "SCALED_BENCHES", "Kind", "bench_kinds", "bench_plan", "kind"]


def bench_kinds(text: str) -> tuple[tuple[Kind, str], ...]:
    """The kinds of bench that a text names, `noisy+compensation:-5@sim-2`. KeyError for an unknown one."""
    return kinds_of(text, BENCHES, SCALED_BENCHES)


def bench_plan(
    *,
    firmware: str = "good",
    bench: str = "good",
    seed: int = 1,
    index: int = 0,
    baud: float = 230400.0,
    frame: Frame | None = None,
    memory: int = 1_000_000,
    faults: tuple[str, ...] = (),
    scope: str = "standard",
    age_days: float = 0.0,
) -> BenchPlan:
    """The plan of one bench of these kinds. KeyError names those that there are."""
    plan = healthy(seed=seed, index=index, baud=baud, frame=frame, memory=memory)
    changes = maker_of(scope).changes
    plan = replace(plan, faults=faults, scope=replace(plan.scope, maker=scope, **changes))
    return aged(changed(kind(FIRMWARES, firmware).change(plan), bench_kinds(bench)), age_days)
