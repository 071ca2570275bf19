"""A door with a clock that tests turn by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

from service.access.access import Access
from service.database import Database


@dataclass
class HandClock:
    """Stands still until it is turned."""

    now: datetime = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def turn(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def access(database: str, clock: HandClock) -> Iterator[Access]:
    """On both databases."""
    db = Database(database)
    yield Access(db, clock)
    db.close()
