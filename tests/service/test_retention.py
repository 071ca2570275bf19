"""What is old goes, with its files; what a grade rests on, what is at work and what others share stays."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service import tables as t
from service.database import Database
from service.errors import UnknownRun
from service.retention import Retention
from service.run_record import Run, new_run, timestamp
from service.store import RunStore
from service.whole_files import write_whole

NOW = datetime(2027, 6, 30, 12, 0, tzinfo=UTC)


@pytest.fixture
def store(database: str, tmp_path: Path) -> Iterator[RunStore]:
    opened = Database(database)
    yield RunStore(opened, tmp_path / "data")
    opened.close()


def kept(store: RunStore, days_ago: float, content: bytes, state: str = "done", **more: Any) -> Run:
    """A run that ended so long ago, with one capture and a report."""
    then = NOW - timedelta(days=days_ago)
    kind = more.pop("kind", "echo-test")
    run = store.create(
        new_run(kind, "north-1", {"payload_hex": "41"}, then, origin="service"), {"event": "x"}
    )
    store.keep_capture(run.id, "shot 1", content, at=timestamp(then))
    store.keep_result(run.id, {"verdict": "pass", "findings": []}, at=timestamp(then))
    store.keep_report(run.id, "report")
    if more:
        store.change(run.id, lambda _run: more)
    if state != "queued":
        store.move(run.id, "running")
    if state == "done":
        store.move(run.id, "done", finished_at=timestamp(then))
    return run


def left(store: RunStore) -> set[str]:
    return {run.id for run in store.newest_first()}


def retention(store: RunStore, **days: float) -> Retention:
    return Retention(store, {name.replace("_", "-"): n for name, n in days.items()}, lambda: NOW)


def test_runs_go_by_age_and_kind_with_everything_that_they_had(store: RunStore) -> None:
    """Row, events, findings, capture and report; kinds without a number stay for ever."""
    old = kept(store, 200, b"old")
    young = kept(store, 20, b"young")
    check = kept(store, 200, b"check", kind="check")
    report, capture = store.report(old.id), store.capture(old.id, "0")
    assert retention(store, echo_test=180).round() == 1
    assert left(store) == {young.id, check.id}
    with pytest.raises(UnknownRun):
        store.read(old.id)
    assert not report.exists()
    assert not report.parent.exists()
    assert not capture.exists()
    assert store.capture(young.id, "0").read_bytes() == b"young"
    with store.database.reading() as connection:
        for table in (t.events, t.captures, t.results):
            ids = set(connection.execute(sa.select(table.c.run_id)).scalars())
            assert ids == {young.id, check.id}, table.name


def test_without_a_number_of_days_nothing_goes(store: RunStore) -> None:
    """The default."""
    run = kept(store, 9000, b"ancient")
    assert retention(store).round() == 0
    assert left(store) == {run.id}


def test_what_a_grade_rests_on_stays(store: RunStore) -> None:
    """However old; so does what is not settled."""
    graded = kept(store, 900, b"graded", kept_for="grade 7 of Tide lab")
    waiting = kept(store, 900, b"queued", state="queued")
    assert retention(store, echo_test=1).round() == 0
    assert left(store) == {graded.id, waiting.id}
    assert store.capture(graded.id, "0").read_bytes() == b"graded"


def test_a_capture_that_another_run_has_too_stays(store: RunStore) -> None:
    """Two runs, one file."""
    kept(store, 200, b"same")
    young = kept(store, 1, b"same")
    retention(store, echo_test=180).round()
    assert store.capture(young.id, "0").read_bytes() == b"same"


def test_a_file_that_goes_while_it_is_kept_again_is_there_afterwards(
    store: RunStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between "it is there already" and the row, retention throws it away."""
    old = kept(store, 200, b"same")
    young = kept(store, 1, b"other")
    real = store._transactions.change

    def change(what: str, work: Any, **more: Any) -> Any:
        monkeypatch.setattr(store._transactions, "change", real)
        retention(store, echo_test=180).round()
        return real(what, work, **more)

    monkeypatch.setattr(store._transactions, "change", change)
    store.keep_capture(young.id, "shot 2", b"same", at=timestamp(NOW))
    assert old.id not in left(store)
    assert store.capture(young.id, "1").read_bytes() == b"same"


def half_written(path: Path, hours_ago: float) -> Path:
    """What is left of a file whose writer was killed before it gave it its name."""
    names: list[str] = []

    def killed(temporary: str, _name: str) -> None:
        names.append(temporary)
        raise OSError("killed")

    with pytest.raises(OSError, match="killed"):
        write_whole(path, b"half", place=killed)
    (name,) = names
    Path(name).write_bytes(b"half")
    then = time.time() - hours_ago * 3600
    os.utime(name, (then, then))
    return Path(name)


def test_what_a_program_was_killed_at_while_it_wrote_goes_after_an_hour(store: RunStore) -> None:
    """Of captures and of reports; a younger one may become a whole file yet, and whole ones stay."""
    run = kept(store, 1, b"kept")
    capture, report = store.capture(run.id, "0"), store.report(run.id)
    old = [half_written(path, 2.0) for path in (capture, report)]
    young = half_written(capture.with_name("ab.npz"), 0.1)
    retention(store).round()
    assert [path.exists() for path in (*old, young, capture, report)] == [False, False, True, True, True]


def test_files_that_a_crash_left_without_a_row_go_after_an_hour(store: RunStore) -> None:
    """Younger ones may be about to get their row."""
    run = kept(store, 1, b"kept")
    for name, hours in (("old", 2.0), ("young", 0.1)):
        path = store.blobs.path(store.blobs.keep(name.encode()))
        then = path.stat().st_mtime - hours * 3600
        os.utime(path, (then, then))
    retention(store, echo_test=180).round()
    there = {path.read_bytes() for path in store.blobs.folder.glob("*/*.npz")}
    assert there == {b"kept", b"young"}
    assert left(store) == {run.id}
