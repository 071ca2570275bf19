"""What a check knows beside its station: the record of commissioning, what is usual, the clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.check.asked import Asked
from service.run_record import Clock, utc_now


@dataclass(frozen=True)
class Usual:
    """What a station usually shows of one item."""

    centre: float
    spread: float
    """Standard deviation of the repeats that it rests on."""
    repeats: int


def _nothing_usual(_name: str) -> Usual | None:
    return None


@dataclass(frozen=True)
class Context:
    """The defaults know nothing: then nothing is compared."""

    clock: Clock = utc_now
    record: Mapping[str, Any] | None = None
    """Of commissioning."""
    usual: Callable[[str], Usual | None] = _nothing_usual
    """By name of the item."""
    newest_at: str | None = None
    """When the newest record that is kept was made, RFC 3339."""
    asked: Asked = field(default_factory=Asked)
    """Beyond the names of the parts."""
