"""The same check some times over: what scatters within one connection, and what a new connection adds.

A baseline rests on repeats, not on one shot (ISO/IEC 17025:2017 7.2.2): numbers that were taken without a
touch show the scatter within; probes taken off and put on again show what that adds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from service.check.items import CheckItem
from service.pipeline.repeats import scatter_of

Numbers = list[tuple[int, float]]
"""(connection, value), as they were taken."""


def repeated(
    look: Callable[[int], Sequence[CheckItem]], repeats: int, between: Sequence[Callable[[], bool]] = ()
) -> dict[str, Any]:
    """`look` some times (it is told the number, from 1): every item's numbers and their scatter, as JSON.

    `between`: what is done between two connections, the repeats shared out among them; False where it was
    left out, so that the connection goes on.
    """
    numbers: dict[str, Numbers] = {}
    units: dict[str, str] = {}
    each = -(-repeats // (len(between) + 1))
    connection = 0
    for number in range(1, each * (len(between) + 1) + 1):
        if number > 1 and (number - 1) % each == 0 and between[(number - 1) // each - 1]():
            connection += 1
        for item in look(number):
            if item.value is not None:
                numbers.setdefault(item.name, []).append((connection, item.value))
                units[item.name] = item.unit
    return {name: _told(taken, units[name]) for name, taken in numbers.items()}


def _told(taken: Numbers, unit: str) -> Mapping[str, Any]:
    """`between` is null where nothing can be said of it: one connection, or no repeat in any."""
    connections, values = [c for c, _ in taken], [v for _, v in taken]
    groups = [np.array([v for c, v in taken if c == one]) for one in sorted(set(connections))]
    told = {"values": values, "connections": connections, "unit": unit, "mean": float(np.mean(values))}
    if len(values) == len(groups):
        return {**told, "within": None, "between": None}
    scatter = scatter_of(groups)
    return {**told, "within": scatter.within, "between": scatter.between if len(groups) > 1 else None}
