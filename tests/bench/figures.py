"""One row of the bench: a figure, its goal, its bound, and what was measured in this run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Figure:
    """`met` is None where there is no goal, only something to know."""

    topic: str
    name: str
    unit: str
    measured: float
    goal: float | None = None
    bound: float | None = None
    at_most: bool = True
    """Whether the goal is an upper one; else the measured value must reach it."""
    note: str = ""

    @property
    def met(self) -> bool | None:
        if self.goal is None:
            return None
        return self.measured <= self.goal if self.at_most else self.measured >= self.goal


def as_data(figures: Sequence[Figure]) -> list[dict[str, Any]]:
    """Plain records for JSON."""
    return [asdict(figure) | {"met": figure.met} for figure in figures]


def as_table(figures: Sequence[Figure]) -> str:
    """Columns of text: topic, figure, measured, goal, bound, met, note."""
    head = ("topic", "figure", "measured", "goal", "bound", "met", "note")
    rows = [head, *(_cells(figure) for figure in figures)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join(line.rstrip() for line in lines)


def _cells(figure: Figure) -> tuple[str, ...]:
    sign = "<=" if figure.at_most else ">="
    goal = "" if figure.goal is None else f"{sign} {figure.goal:.4g}"
    bound = "" if figure.bound is None else f"{figure.bound:.4g}"
    met = {True: "yes", False: "NO", None: ""}[figure.met]
    measured = f"{figure.measured:.4g} {figure.unit}".strip()
    return (figure.topic, figure.name, measured, goal, bound, met, figure.note)
