"""The same check some times over: what scatters within one connection, and what a new connection adds.

A baseline rests on repeats, not on one shot (ISO/IEC 17025:2017 7.2.2): numbers that were taken without a
touch show the scatter within; probes taken off and put on again show what that adds.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.check.items import CheckItem


@dataclass(frozen=True)
class Spread:
    """Of one item over all repeats."""

    centre: float
    within: float
    """Standard deviation of repeats of one connection."""
    between: float
    """Standard deviation that a new connection adds; 0 where there was only one."""
    repeats: int


def spread_of(connections: Sequence[Sequence[float]]) -> Spread:
    """One-way analysis of variance with random effects; one row of numbers for each connection.

    Raises:
        ValueError: there is no number.
    """
    groups = [list(group) for group in connections if group]
    if not groups:
        raise ValueError("a spread needs at least one number")
    count = sum(len(group) for group in groups)
    centre = math.fsum(v for group in groups for v in group) / count
    freedom = count - len(groups)
    squares = math.fsum((v - statistics.fmean(group)) ** 2 for group in groups for v in group)
    within = squares / freedom if freedom else 0.0
    if len(groups) == 1:
        return Spread(centre, math.sqrt(within), 0.0, count)
    between_squares = math.fsum(len(group) * (statistics.fmean(group) - centre) ** 2 for group in groups)
    # the usual size of a group where they are not all alike
    size = (count - math.fsum(len(group) ** 2 for group in groups) / count) / (len(groups) - 1)
    between = max((between_squares / (len(groups) - 1) - within) / size, 0.0)
    return Spread(centre, math.sqrt(within), math.sqrt(between), count)


def repeated(look: Callable[[int], Sequence[CheckItem]], repeats: int) -> dict[str, Any]:
    """`look` some times (it is told the number, from 1): every item's numbers and their scatter, as JSON."""
    values: dict[str, list[float]] = {}
    units: dict[str, str] = {}
    for number in range(1, repeats + 1):
        for item in look(number):
            if item.value is not None:
                values.setdefault(item.name, []).append(item.value)
                units[item.name] = item.unit
    return {name: _told(numbers, units[name]) for name, numbers in values.items()}


def _told(numbers: list[float], unit: str) -> Mapping[str, Any]:
    spread = spread_of([numbers])
    return {"values": numbers, "unit": unit, "mean": spread.centre, "within": spread.within}
