"""Items of a station check: one number each, what it may be, and of which thing it speaks.

Their kinds stand in kinds.py. An item that is measured on each line is called `to_target.zero` and
`from_target.zero`; the table has one row `zero`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.check.kinds import ITEMS, NOTE, ROLES, ItemKind
from service.pipeline.decisions import FAIL, INCONCLUSIVE, PASS, within
from service.pipeline.numbers import quantity, with_uncertainty

__all__ = ["ITEMS", "NOTE", "ROLES", "CheckItem", "ItemKind", "NoSuchItem", "item_kind", "make_item"]


class NoSuchItem(KeyError):
    """An item was asked for under a name that ITEMS does not have."""


@dataclass(frozen=True)
class CheckItem:
    """One thing that was checked. `u` is expanded (k = 2); value None = could not be measured honestly."""

    name: str
    value: float | None
    u: float | None
    unit: str
    limit: Mapping[str, float]
    """`min` and `max`, as far as there are any, in the same unit."""
    verdict: str
    """pass, fail, or inconclusive: not measured, or nearer to its limit than `u`."""
    because: str
    subject: str
    """Which thing it speaks of: scope, scope/ch1, probe/to_target, bridge, board, room, ..."""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    """JSON only; `first` holds the values of a measurement that was done again."""

    @property
    def kind(self) -> ItemKind:
        """Its row in ITEMS."""
        return item_kind(self.name)


def item_kind(name: str) -> ItemKind:
    """The row of an item called `name`, with or without its line. NoSuchItem otherwise."""
    kind = name.rsplit(".", 1)[-1]
    if kind not in _BY_NAME:
        raise NoSuchItem(f"no item {name!r} in ITEMS")
    return _BY_NAME[kind]


def make_item(
    name: str,
    value: float | None,
    u: float | None,
    subject: str,
    *,
    low: float | None = None,
    high: float | None = None,
    because: str = "",
    evidence: Mapping[str, Any] | None = None,
) -> CheckItem:
    """An item judged against `low` and `high`, in its own unit (JCGM 106: pass and fail need `u` of room).

    Without limits a measured item passes. `because` is put behind the number's own words.
    """
    kind = item_kind(name)
    known = value is not None and math.isfinite(value)
    verdict = within(float(value or 0.0), u or 0.0, low, high) if known else INCONCLUSIVE
    limit = {k: float(v) for k, v in (("min", low), ("max", high)) if v is not None}
    told = _told(kind, value if known else None, u, limit, verdict, because)
    return CheckItem(
        name,
        value if known else None,
        u if known else None,
        kind.unit,
        limit,
        verdict,
        told,
        subject,
        dict(evidence or {}),
    )


def _told(
    kind: ItemKind,
    value: float | None,
    u: float | None,
    limit: Mapping[str, float],
    verdict: str,
    because: str,
) -> str:
    words = {"min": "at least", "max": "at most"}
    limits = " and ".join(f"{words[k]} {quantity(v, kind.unit, digits=4)}" for k, v in limit.items())
    number = with_uncertainty(value, u, kind.unit)
    ending = {PASS: "", FAIL: ": beyond its limit", INCONCLUSIVE: ": too near to its limit to say"}[verdict]
    if value is None:
        ending = ""
    told = f"{kind.words} {number}" + (f" (limit: {limits})" if limits else "") + ending
    return f"{told}; {because}" if because else told


_BY_NAME = {kind.name: kind for kind in ITEMS}
