"""One owner's queue has exactly as many places as it has, however many ask at once."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from service import database as database_module
from service import tables as t
from service.database import Database
from service.errors import DatabaseAway, OwnQueueFull
from service.own_queue import require_place
from service.run_record import Run, new_run
from service.run_rows import COLUMNS, RunFilter
from service.store import RunStore

AT = datetime(2027, 1, 12, 6, 30, tzinfo=UTC)
PLACES, ASKING = 3, 12


@pytest.fixture
def stores(database: str, tmp_path: Path) -> Iterator[list[RunStore]]:
    """Several services on one database."""
    made = [RunStore(Database(database), tmp_path) for _ in range(4)]
    yield made
    for store in made:
        store.database.close()


def run_of(owner: str, station: str = "north-1") -> Run:
    return new_run("echo-test", station, {}, AT, origin="service", owner=owner)


def test_many_who_ask_at_once_get_no_more_places_than_there_are(stores: list[RunStore]) -> None:
    """Each through a connection of its own; the queue of another owner is not touched."""
    together = threading.Barrier(ASKING)

    def ask(number: int) -> bool:
        together.wait(30)
        try:
            stores[number % len(stores)].create(run_of("token-ada"), most_waiting=PLACES)
        except OwnQueueFull:
            return False
        return True

    with ThreadPoolExecutor(ASKING) as pool:
        got = list(pool.map(ask, range(ASKING)))
    assert sum(got) == PLACES
    waiting, more = stores[0].listing(RunFilter(state="queued", owner="token-ada"), 100)
    assert (len(waiting), more) == (PLACES, False)
    assert stores[1].create(run_of("token-grace"), most_waiting=PLACES).state == "queued"
    with pytest.raises(OwnQueueFull, match="3 runs of this token wait already"):
        stores[2].create(run_of("token-ada", "south-1"), most_waiting=PLACES)


@pytest.fixture
def impatient(database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[RunStore]:
    """Another service on the same database, which gives up at once where it would have to wait for a lock."""
    monkeypatch.setattr(database_module, "BUSY_MS", 1)
    at_once = f"{database}?options=-clock_timeout%3D1" if database.startswith("postgresql") else database
    store = RunStore(Database(at_once), tmp_path)
    yield store
    store.database.close()


def add(connection: sa.Connection, run: Run) -> None:
    row = {name: getattr(run, name) for name in COLUMNS if name != "sequence"}
    connection.execute(sa.insert(t.runs).values({**row, "answers": []}))


def test_who_asks_while_another_counts_must_wait_and_then_counts_what_that_one_added(
    stores: list[RunStore], impatient: RunStore
) -> None:
    """Two transactions interleaved by hand: without the lock both would find the last place free."""
    assert impatient.listing(RunFilter(), 1) == ([], False), "connected before anybody holds anything"
    with stores[0].database.changing() as connection:
        require_place(connection, "token-ada", 1)
        with pytest.raises(DatabaseAway, match="lock"):
            impatient.create(run_of("token-ada"), most_waiting=1)
        add(connection, run_of("token-ada"))
    with pytest.raises(OwnQueueFull, match="1 runs of this token wait already"):
        impatient.create(run_of("token-ada"), most_waiting=1)
    waiting, _ = stores[1].listing(RunFilter(state="queued"), 100)
    assert len(waiting) == 1


def test_the_count_of_one_owner_keeps_no_other_one_waiting(
    stores: list[RunStore], impatient: RunStore, database: str
) -> None:
    """On PostgreSQL; SQLite lets one transaction write at a time, whoever asks."""
    with stores[0].database.changing() as connection:
        require_place(connection, "token-ada", 1)
        if database.startswith("postgresql"):
            assert impatient.create(run_of("token-grace"), most_waiting=1).state == "queued"
        else:
            with pytest.raises(DatabaseAway, match="locked"):
                impatient.create(run_of("token-grace"), most_waiting=1)
