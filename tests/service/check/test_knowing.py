"""What a check may know of earlier: the record, the usual, the clock."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.check.document import check_document
from service.check.items import make_item
from service.check.knowing import context_for, usual_of
from service.errors import BadInput
from service.run_record import new_run, timestamp
from service.wiring import Wiring
from tests.service.bench_of_straw import station, straw_wiring

NOW = datetime(2027, 1, 12, 6, 30, tzinfo=UTC)


def kept_check(wiring: Wiring, latency_s: float, day: int, **more: Any) -> str:
    """A check that passed that many days before now."""
    at = NOW - timedelta(days=day)
    run = wiring.journal.begin(new_run("check", "north-1", {}, at, origin="command"))
    wiring.journal.move(run.id, "running")
    items = [make_item("latency", latency_s, 1e-7, "board", high=2e-3)]
    wiring.store.keep_result(
        run.id, check_document("north-1", items, [], checked_at=at, **more), at=timestamp(at)
    )
    wiring.journal.move(run.id, "done", verdict="pass")
    return run.id


def test_the_usual_is_the_median_of_checks_that_passed_once_there_are_some(tmp_path: Path) -> None:
    """One outlier among them moves it little; four are too few."""
    wiring = straw_wiring(tmp_path)
    for day in range(4):
        kept_check(wiring, 10e-6 + day * 1e-9, day)
    assert usual_of(wiring.store, "north-1", "latency", before="none") is None
    kept_check(wiring, 80e-6, 5)
    usual = usual_of(wiring.store, "north-1", "latency", before="none")
    assert usual is not None
    assert usual.centre == pytest.approx(10.002e-6, abs=1e-9)
    assert usual.repeats == 5
    assert usual_of(wiring.store, "north-2", "latency", before="none") is None


def test_the_commissioning_record_is_the_stations_own_or_the_one_in_the_data_folder(tmp_path: Path) -> None:
    """A record that cannot be read is said, not passed over."""
    wiring = straw_wiring(tmp_path)
    assert context_for(station(), "none", wiring.store, lambda: NOW).record is None
    folder = wiring.store.folder / "commissioning"
    folder.mkdir(parents=True)
    record = {"schema": 1, "kind": "commissioning", "identity": {"serial": "SN-1"}}
    (folder / "north-1.json").write_text(json.dumps(record))
    assert context_for(station(), "none", wiring.store, lambda: NOW).record == record
    other = tmp_path / "other.json"
    other.write_text("{}")
    with pytest.raises(BadInput, match="no commissioning record"):
        context_for(station(commissioned=str(other)), "none", wiring.store, lambda: NOW)


def test_the_newest_record_dates_the_clock(tmp_path: Path) -> None:
    """The check's own run does not count."""
    wiring = straw_wiring(tmp_path)
    run_id = kept_check(wiring, 1e-5, 0)
    context = context_for(station(), "none", wiring.store, lambda: NOW)
    assert context.newest_at is not None
    assert context_for(station(), run_id, wiring.store, lambda: NOW).newest_at is None
