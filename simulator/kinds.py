"""What a kind of firmware or of bench is, and how a text names several of them.

probe-ratio-off                  one kind
noisy+compensation:-5            two at once; a kind that takes a number has it after a colon
good+time-base:-200@sim-3        only that station of several
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from simulator.changes import Change
from simulator.plan import BenchPlan


@dataclass(frozen=True)
class Kind:
    """One row."""

    name: str
    about: str
    change: Change
    finding: str | None = None
    """The code that must be found; None: nothing must be."""
    frame: str | None = None
    """The frame with which it shows, None: any."""
    seen_by: str = "echo"
    """What shows it: "echo" an echo test, "check" an unattended check, "usual" a check that knows what the
    station usually shows, "guided" a check with a person, "trigger" the trigger doctor, "wiggle" a wiggle
    test, "room" a comparison of stations, "history" weeks of checks."""
    guided: str | None = None
    """The code that a guided check must find, where it is another one."""


@dataclass(frozen=True)
class ScaledKind:
    """A row that takes a number."""

    name: str
    about: str
    unit: str
    lowest: float
    highest: float
    change: Callable[[float], Change]
    finding: Callable[[float], str | None]
    seen_by: str = "check"
    guided: Callable[[float], str | None] = lambda _value: None

    def at(self, value: float) -> Kind:
        """The row with that number; KeyError outside of what it takes."""
        if not self.lowest <= value <= self.highest:
            raise KeyError(
                f"{self.name} takes {self.lowest:g} to {self.highest:g} {self.unit}, was {value:g}"
            )
        return Kind(
            f"{self.name}:{value:+g}",
            f"{self.about}: {value:+g} {self.unit}",
            self.change(value),
            self.finding(value),
            seen_by=self.seen_by,
            guided=self.guided(value),
        )


def kind(rows: Sequence[Kind], name: str, scaled: Sequence[ScaledKind] = ()) -> Kind:
    """The row of that name; KeyError names those that there are."""
    plain, colon, number = name.partition(":")
    for row in rows:
        if row.name == name:
            return row
    for family in scaled:
        if family.name == plain and colon:
            return family.at(_number(number, name))
    known = [row.name for row in rows] + [f"{family.name}:NUMBER" for family in scaled]
    raise KeyError(f"no kind {name!r}, there are {', '.join(known)}")


def kinds_of(
    text: str, rows: Sequence[Kind], scaled: Sequence[ScaledKind] = ()
) -> tuple[tuple[Kind, str], ...]:
    """Kinds joined by `+`, each with the station that it is for ("" for all). KeyError for an unknown one."""
    return tuple(_named(part, rows, scaled) for part in re.split(r"(?<!:)\+", text))


def changed(plan: BenchPlan, kinds: Sequence[tuple[Kind, str]]) -> BenchPlan:
    """The plan with all kinds that are for its station, in their order."""
    for row, station in kinds:
        if station in ("", plan.station):
            plan = row.change(plan)
    return plan


def _named(part: str, rows: Sequence[Kind], scaled: Sequence[ScaledKind]) -> tuple[Kind, str]:
    name, _, station = part.strip().partition("@")
    return kind(rows, name, scaled), station


def _number(text: str, name: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise KeyError(f"{name!r}: {text!r} is no number") from None


def examples(scaled: Sequence[ScaledKind], values: Sequence[float]) -> Iterator[Kind]:
    """Rows of each scaled kind at those of the values that it takes."""
    for family in scaled:
        for value in values:
            if family.lowest <= value <= family.highest:
                yield family.at(value)
