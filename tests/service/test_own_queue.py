"""One owner's queue has exactly as many places as it has, however many ask at once."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.database import Database
from service.errors import OwnQueueFull
from service.run_record import Run, new_run
from service.run_rows import RunFilter
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
