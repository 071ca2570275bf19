"""What a measuring function hands to the table of measurements."""

from __future__ import annotations

from dataclasses import dataclass

from service.pipeline.readings import Value


@dataclass(frozen=True)
class Figure:
    """A value or None, what exactly it is, and the limits that it is held against."""

    value: Value | None
    definition: str
    low: float | None = None
    high: float | None = None
    surely_under: float | None = None
    """Where no value can be given: it is certainly below this."""
