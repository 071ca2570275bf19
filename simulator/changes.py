"""Ways in which a bench can differ from a good one: each function makes a change of a plan.

The tables in faults.py are written with these.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from simulator.plan import FLOATING, REFERENCE, BenchPlan, with_input, with_probe
from simulator.target.firmware import Firmware

C2_PF = 108.0
"""Input and cable behind a x10 probe (front_end.py)."""
Change = Callable[[BenchPlan], BenchPlan]


def as_it_is(plan: BenchPlan) -> BenchPlan:
    return plan


def program(**changes: Any) -> Change:
    """Another program or timing of the firmware."""
    return lambda plan: replace(plan, target=replace(plan.target, firmware=Firmware(**changes)))


def target(**changes: Any) -> Change:
    return lambda plan: replace(plan, target=replace(plan.target, **changes))


def at_another_rate(times: float) -> Change:
    """The board's rate, as it hears and as it sends."""

    def change(plan: BenchPlan) -> BenchPlan:
        end = plan.target.end
        return replace(plan, target=replace(plan.target, end=replace(end, baud=times * end.baud)))

    return change


def target_driver(**changes: Any) -> Change:
    def change(plan: BenchPlan) -> BenchPlan:
        end = plan.target.end
        return replace(
            plan, target=replace(plan.target, end=replace(end, driver=replace(end.driver, **changes)))
        )

    return change


def with_parity_bit(plan: BenchPlan) -> BenchPlan:
    frame = replace(plan.target.end.frame, parity="E")
    return replace(plan, target=replace(plan.target, send_frame=frame))


def with_other_parity(plan: BenchPlan) -> BenchPlan:
    other = {"E": "O", "O": "E", "M": "S", "S": "M", "N": "E"}[plan.target.end.frame.parity]
    return replace(plan, target=replace(plan.target, send_frame=replace(plan.target.end.frame, parity=other)))


def scope(**changes: Any) -> Change:
    return lambda plan: replace(plan, scope=replace(plan.scope, **changes))


def bridge(**changes: Any) -> Change:
    return lambda plan: replace(plan, bridge=replace(plan.bridge, **changes))


def vertical(channel: int, **changes: Any) -> Change:
    return lambda plan: with_input(plan, channel, **changes)


def probe(channel: int, **changes: Any) -> Change:
    return lambda plan: with_probe(plan, channel, **changes)


def compensation(channel: int, percent: float) -> Change:
    """The trimmer at which a step starts so many percent too high (standards.md 6.1: C1 / (C1 + C2))."""
    at_once = 0.1 * (1 + percent / 100)
    return probe(channel, trimmer_pf=C2_PF * at_once / (1 - at_once))


def bridge_clock(ppm: float) -> Change:
    """The clock of the serial adapter."""
    return lambda plan: replace(
        plan, bridge=replace(plan.bridge, end=replace(plan.bridge.end, clock_ppm=ppm))
    )


def target_clock(ppm: float) -> Change:
    """The clock of the board."""
    return lambda plan: replace(
        plan, target=replace(plan.target, end=replace(plan.target.end, clock_ppm=ppm))
    )


def both(*changes: Change) -> Change:
    def change(plan: BenchPlan) -> BenchPlan:
        for each in changes:
            plan = each(plan)
        return plan

    return change


def on_reference(**changes: Any) -> Change:
    """Both probes hang on the scope's reference output."""
    return both(probe(1, node=REFERENCE), probe(2, node=REFERENCE), scope(**changes))


def bridged(plan: BenchPlan) -> BenchPlan:
    return replace(plan, bridged=True)


def undriven(plan: BenchPlan) -> BenchPlan:
    floating = with_probe(plan, 2, node=FLOATING, hum_v=0.12, crosstalk=0.06)
    return replace(floating, undriven=True)
