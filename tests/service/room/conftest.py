"""A room on either database, with a clock that only tests move."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.database import Database
from service.room.inventory import Inventory
from service.store import RunStore
from tests.service.bench_of_straw import NAMES, station
from tests.service.room.papers import Hands
from tests.service.room.receivers import PASSWORD, SECRET

START = datetime(2027, 1, 11, 8, 0, tzinfo=UTC)


@pytest.fixture
def clock() -> Hands:
    return Hands(START)


@pytest.fixture
def store(database: str, tmp_path: Path) -> Iterator[RunStore]:
    opened = Database(database)
    yield RunStore(opened, tmp_path / "data")
    opened.close()


@pytest.fixture
def inventory(store: RunStore, clock: Hands) -> Inventory:
    return Inventory(store.database, [station(name) for name in NAMES], clock)


@pytest.fixture(autouse=True)
def secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCH_MAIL_PASSWORD", PASSWORD)
    monkeypatch.setenv("BENCH_SECRET", SECRET)
