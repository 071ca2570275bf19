"""Runs in the database, evidence beside it: whole or not at all, never overwritten, on both databases."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service import tables as t
from service.database import Database
from service.errors import (
    DatabaseAway,
    IllegalMove,
    StationTaken,
    StoreFailed,
    Superseded,
    UnknownRun,
)
from service.run_rows import RunFilter
from service.store import RunStore
from tests.service.stores import AT, START, make


def test_a_record_comes_back_as_it_went(store: RunStore) -> None:
    """With the number that the store gave it."""
    run = make(limit_s=60.0, priority="grading", answers=({"text": "done"},), kept_for="grade 7")
    kept = store.create(run)
    assert kept.sequence > 0
    assert store.read(run.id) == replace(run, sequence=kept.sequence) == kept


def test_a_run_of_an_unknown_or_impossible_id_is_unknown(store: RunStore) -> None:
    """Nothing else is looked up."""
    for name in ("20270112-063108-000000-00000000", "../../etc/passwd", "", "x" * 500):
        with pytest.raises(UnknownRun):
            store.read(name)


def test_a_run_is_made_once(store: RunStore) -> None:
    """The second of the same id is refused, the first stays."""
    run = store.create(make())
    with pytest.raises(StoreFailed, match="exists"):
        store.create(replace(run, station="south-1"))
    assert store.read(run.id).station == "north-1"


def test_a_move_changes_state_and_tells_it_at_once(store: RunStore) -> None:
    """No state without its event, in one transaction."""
    run = store.create(make(), {"event": "state", "state": "queued"})
    store.move(run.id, "running", event={"event": "state", "state": "running"}, started_at=AT)
    assert (store.read(run.id).state, store.read(run.id).started_at) == ("running", AT)
    assert [(n, e["state"]) for n, e in store.events(run.id)] == [(1, "queued"), (2, "running")]
    with pytest.raises(IllegalMove):
        store.move(run.id, "running", event={"event": "never"})
    with pytest.raises(IllegalMove, match="no longer queued"):
        store.move(run.id, "cancelled", only_from="queued", event={"event": "never"})
    assert len(store.events(run.id)) == 2


def test_a_job_that_was_replaced_changes_nothing_any_more(store: RunStore) -> None:
    """The run was moved to another worker; the first one comes back."""
    run = store.create(make(job=2))
    for late in (
        lambda: store.move(run.id, "running", job=1),
        lambda: store.keep_capture(run.id, "shot 1", b"late", at=AT, job=1),
        lambda: store.keep_result(run.id, {"verdict": "fail"}, at=AT, job=1),
    ):
        with pytest.raises(Superseded, match="job 2"):
            late()
    assert store.move(run.id, "running", job=2).state == "running"
    assert store.read(run.id).captures == ()


def test_no_second_run_comes_to_work_on_a_station(store: RunStore) -> None:
    """The database refuses it; on another station it may."""
    first, second, elsewhere = (store.create(make(n, name)) for n, name in enumerate(["a", "a", "b"]))
    store.move(first.id, "running")
    with pytest.raises(StationTaken):
        store.move(second.id, "running")
    assert store.read(second.id).state == "queued"
    store.move(elsewhere.id, "running")
    store.move(first.id, "done")
    assert store.move(second.id, "running").state == "running"


def test_each_finding_and_each_number_has_a_row_of_its_own(store: RunStore) -> None:
    """For trends: what was measured on a station over time is one question to the database."""
    for n, value in enumerate((230_400.0, 230_412.0)):
        run = store.create(make(n))
        document = {
            "verdict": "fail",
            "findings": [
                {"code": "echo-late", "side": "device", "severity": "fail", "line": None, "message": "late"}
            ],
            "measurements": [
                {"name": "baud", "value": value, "u": 7.4, "unit": "Bd", "verdict": "pass", "k": 2},
                {"name": "latency", "value": None, "u": None, "unit": "s", "verdict": None},
            ],
        }
        store.keep_result(run.id, document, at=run.created_at)
    query = (
        sa.select(t.measurements.c.value)
        .where(t.measurements.c.station == "north-1", t.measurements.c.name == "baud")
        .order_by(t.measurements.c.at)
    )
    with store.database.reading() as connection:
        assert connection.execute(query).scalars().all() == [230_400.0, 230_412.0]
        assert connection.execute(sa.select(t.findings.c.code)).scalars().all() == ["echo-late"] * 2


def test_events_are_numbered_from_one_without_gaps_whoever_writes_them(store: RunStore) -> None:
    """Four threads at once; a follower takes up after any number."""
    run = store.create(make())

    def write(who: int) -> None:
        for n in range(10):
            store.append_event(run.id, {"event": "progress", "who": who, "n": n})

    threads = [threading.Thread(target=write, args=(who,), daemon=True) for who in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    events = store.events(run.id)
    assert [number for number, _ in events] == list(range(1, 41))
    for who in range(4):
        assert [e["n"] for _, e in events if e["who"] == who] == list(range(10))
    assert store.events(run.id, after=38) == events[38:]


def test_listings_are_newest_first_filtered_and_paged(store: RunStore) -> None:
    """Every filter alone, and the pages joined give the whole."""
    runs = [store.create(make(n, "north-1" if n % 2 else "south-1")) for n in range(5)]
    store.move(runs[1].id, "running")
    store.move(runs[1].id, "done", verdict="pass")
    newest = [r.id for r in reversed(runs)]
    assert [r.id for r in store.newest_first()] == newest
    assert [r.id for r in store.listing(RunFilter(station="north-1"), 10)[0]] == [runs[3].id, runs[1].id]
    assert [r.id for r in store.listing(RunFilter(state="done", verdict="pass"), 10)[0]] == [runs[1].id]
    assert [r.id for r in store.listing(RunFilter(kind="check"), 10)[0]] == []
    since = store.listing(RunFilter(since=START + timedelta(minutes=3)), 10)[0]
    assert [r.id for r in since] == newest[:2]
    first, more = store.listing(RunFilter(), 2)
    rest, end = store.listing(RunFilter(before=first[-1].id), 3)
    assert [r.id for r in first + rest] == newest
    assert (more, end) == (True, False)
    assert {s: r.id for s, r in store.newest_of(["north-1", "south-1", "west-9"]).items()} == {
        "north-1": runs[3].id,
        "south-1": runs[4].id,
    }


def test_a_time_inside_a_millisecond_lets_nothing_earlier_in(store: RunStore) -> None:
    """Records hold milliseconds, a question may be finer."""
    store.create(make())
    assert store.listing(RunFilter(since=START), 1)[0]
    assert not store.listing(RunFilter(since=START + timedelta(microseconds=1)), 1)[0]


def test_the_order_of_service_is_class_then_first_come(store: RunStore) -> None:
    """Not the ids: two of the same microsecond would be tossed for."""
    order = ["check", "grading", "class-now", "grading", "class-now"]
    runs = [store.create(make(9 - n, priority=name)) for n, name in enumerate(order)]
    expected = [runs[n].id for n in (2, 4, 1, 3, 0)]
    assert [r.id for r in store.in_states("queued", station="north-1")] == expected


def test_a_change_waits_for_a_database_that_is_away_and_is_made_once(
    light: Callable[..., RunStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer got lost after the commit: nothing is counted or moved twice."""
    store = light(patience_s=20.0)
    run = store.create(make())
    real = store.database.changing
    lost = threading.Event()

    class Lossy:
        def __enter__(self) -> Any:
            self.inner = real()
            return self.inner.__enter__()

        def __exit__(self, *error: Any) -> None:
            self.inner.__exit__(*error)
            if not lost.is_set():
                lost.set()
                raise DatabaseAway("the connection broke")

    monkeypatch.setattr(store.database, "changing", Lossy)
    assert store.keep_capture(run.id, "shot 1", b"codes", at=AT).name == "0"
    assert store.read(run.id).captures == ("shot 1",)
    lost.clear()
    assert store.move(run.id, "running").state == "running"
    lost.clear()
    store.keep_result(run.id, {"verdict": "pass"}, at=AT)
    assert lost.is_set()


def test_without_patience_a_database_that_is_away_is_said_at_once(tmp_path: Path) -> None:
    """A request must not hang: port 9 (discard) of loopback, where nothing listens."""
    store = RunStore(Database("postgresql://bench@127.0.0.1:9/bench"), tmp_path)
    with pytest.raises(DatabaseAway):
        store.read("20270112-063108-000000-00000000")
