"""Runs on disk: whole or not at all, never overwritten, and a spoilt one hides no other."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.errors import StoreFailed, UnknownCapture, UnknownRun
from service.run_record import Run, moment_of, named_captures, new_run, timestamp
from service.store import RunFilter, RunStore, write_whole

START = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)


def make(n: int = 0, station: str = "north-1") -> Run:
    """The nth run of a morning."""
    return new_run(
        "echo-test", station, {"payload_hex": "41"}, START + timedelta(minutes=n), origin="service"
    )


@pytest.fixture
def store(tmp_path: Path) -> RunStore:
    return RunStore(tmp_path / "runs")


class PowerCut(BaseException):
    """Not an error that anybody handles: the machine is gone."""


def cut(_source: str, _target: str) -> None:
    raise PowerCut


def refuse(_source: str, _target: str) -> None:
    raise OSError(28, "No space left on device")


def names(folder: Path) -> list[str]:
    return sorted(os.listdir(folder))


def test_a_record_comes_back_as_it_went(store: RunStore) -> None:
    """Through JSON and a second store object."""
    run = store.create(make())
    assert RunStore(store.root).read(run.id) == run


def test_a_record_of_a_later_version_is_still_read(store: RunStore) -> None:
    """Unknown keys are left alone."""
    run = store.create(make())
    path = store.root / run.id / "run.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "mood": "sunny"}))
    assert store.read(run.id) == run


def test_power_cut_while_a_capture_is_written_leaves_no_trace_of_it(tmp_path: Path) -> None:
    """Just before the name is given: no file, no temporary file, the record names no capture."""
    run = RunStore(tmp_path).create(make())
    before = names(tmp_path / run.id)
    with pytest.raises(PowerCut):
        RunStore(tmp_path, link=cut).keep_capture(run.id, "shot 1", b"codes")
    assert names(tmp_path / run.id) == before
    assert RunStore(tmp_path).read(run.id).captures == ()
    assert RunStore(tmp_path).keep_capture(run.id, "shot 1", b"codes").name == "0"


def test_power_cut_while_a_state_is_written_leaves_the_old_state_whole(tmp_path: Path) -> None:
    """Never half a record."""
    run = RunStore(tmp_path).create(make())
    with pytest.raises(PowerCut):
        RunStore(tmp_path, rename=cut).move(run.id, "running")
    assert RunStore(tmp_path).read(run.id).state == "queued"


def test_power_cut_while_a_run_is_made_leaves_a_folder_that_counts_as_not_there(tmp_path: Path) -> None:
    """The listing passes it over; asking for it is asking for an unknown run."""
    run = make()
    with pytest.raises(PowerCut):
        RunStore(tmp_path, link=cut).create(run)
    store = RunStore(tmp_path)
    other = store.create(make(1))
    assert [r.id for r in store.newest_first()] == [other.id]
    with pytest.raises(UnknownRun):
        store.read(run.id)


def test_a_capture_that_has_no_record_of_it_yet_is_not_handed_out_and_not_overwritten(tmp_path: Path) -> None:
    """The power went between file and record: evidence is never replaced."""
    run = RunStore(tmp_path).create(make())
    with pytest.raises(PowerCut):
        RunStore(tmp_path, rename=cut).keep_capture(run.id, "shot 1", b"first")
    store = RunStore(tmp_path)
    with pytest.raises(UnknownCapture):
        store.capture(run.id, "0")
    with pytest.raises(StoreFailed, match="exists"):
        store.keep_capture(run.id, "shot 1", b"second")
    assert (tmp_path / run.id / "capture-0.npz").read_bytes() == b"first"


def test_shots_are_numbered_as_in_the_result_and_looks_have_names_of_their_own(store: RunStore) -> None:
    """The looks come first at the bench and last in the list; every name leads to its own file."""
    run = store.create(make())
    labels = ("idle look 1", "sounding 1", "shot 1", "forced shot 1", "forced look 1")
    given = [store.keep_capture(run.id, label, label.encode()).name for label in labels]
    assert given == ["look-0", "look-1", "0", "1", "look-2"]
    named = named_captures(store.read(run.id).captures)
    assert [(c.name, c.shot, c.label) for c in named] == [
        ("0", 0, "shot 1"),
        ("1", 1, "forced shot 1"),
        ("look-0", None, "idle look 1"),
        ("look-1", None, "sounding 1"),
        ("look-2", None, "forced look 1"),
    ]
    for c in named:
        assert store.capture(run.id, c.name).read_bytes() == c.label.encode()
    with pytest.raises(UnknownCapture, match="no capture '2'; it has captures 0, 1, look-0, look-1, look-2"):
        store.capture(run.id, "2")


@pytest.mark.parametrize(
    "again",
    [
        lambda store, run: store.keep_result(run.id, {"verdict": "fail"}),
        lambda store, run: store.keep_report(run.id, "other"),
    ],
)
def test_what_was_kept_is_never_overwritten(store: RunStore, again: Callable[[RunStore, Run], None]) -> None:
    """Evidence is written once."""
    run = store.create(make())
    store.keep_result(run.id, {"verdict": "pass"})
    store.keep_report(run.id, "report")
    with pytest.raises(StoreFailed, match="exists"):
        again(store, run)
    assert store.result(run.id) == {"verdict": "pass"}
    assert store.report(run.id).read_text() == "report"


def test_a_full_disk_is_named_with_the_run(tmp_path: Path) -> None:
    """One sentence: what, where, why."""
    run = RunStore(tmp_path).create(make())
    full = RunStore(tmp_path, link=refuse, rename=refuse)
    with pytest.raises(StoreFailed, match=rf"result.json of run {run.id} .*No space left"):
        full.keep_result(run.id, {})
    with pytest.raises(StoreFailed, match="No space left"):
        full.move(run.id, "running")


def test_a_result_with_a_number_that_json_does_not_know_is_a_mistake_not_a_file(store: RunStore) -> None:
    """RFC 8259 section 6: NaN and infinity are not numbers there."""
    run = store.create(make())
    with pytest.raises(ValueError, match="JSON"):
        store.keep_result(run.id, {"value": float("nan")})
    assert store.result(run.id) is None


def test_file_content_is_synced_before_its_name_and_the_name_before_success(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that POSIX asks for: fsync(file), name, fsync(folder)."""
    steps: list[str] = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        steps.append("folder" if os.path.isdir(f"/proc/self/fd/{descriptor}") else "file")
        real(descriptor)

    def link(source: str, target: str) -> None:
        steps.append("name")
        os.link(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    write_whole(tmp_path / "x", b"1", place=link)
    assert steps == ["file", "name", "folder"]


@pytest.mark.parametrize(
    "wrong", ["", "..", "../x", "20270112-063108-250000-3f9a1c2e/..", "a" * 300, "%2e%2e", "\x00"]
)
def test_an_id_that_is_none_never_touches_the_disk(store: RunStore, wrong: str) -> None:
    """No way out of the folder."""
    with pytest.raises(UnknownRun):
        store.read(wrong)


def test_listing_is_newest_first_and_goes_on_after_a_cursor(store: RunStore) -> None:
    """Pages neither repeat nor lose a run."""
    ids = [store.create(make(n)).id for n in range(7)]
    assert [r.id for r in store.newest_first()] == ids[::-1]
    seen: list[str] = []
    before, more = None, True
    while more:
        page, more = store.listing(RunFilter(before=before), 3)
        seen += [r.id for r in page]
        before = seen[-1]
    assert seen == ids[::-1]


def test_listing_filters_by_station_state_verdict_and_time(store: RunStore) -> None:
    """All conditions together."""
    first = store.create(make(0))
    second = store.create(make(1, "north-2"))
    store.move(second.id, "running")
    store.move(second.id, "done", verdict="fail")
    third = store.create(make(2, "north-2"))

    def found(**wanted: object) -> list[str]:
        return [r.id for r in store.newest_first(RunFilter(**wanted))]  # type: ignore[arg-type]

    assert found(station="north-2") == [third.id, second.id]
    assert found(station="north-2", state="done") == [second.id]
    assert found(verdict="fail") == [second.id]
    assert found(since=START + timedelta(seconds=30)) == [third.id, second.id]
    assert found(since=START) == [third.id, second.id, first.id]
    assert store.newest_of(["north-1", "north-2", "north-9"]) == {"north-1": first, "north-2": third}


def test_a_spoilt_record_hides_no_other_run(store: RunStore, caplog: pytest.LogCaptureFixture) -> None:
    """It is passed over with a warning, and says so when asked for by name."""
    spoilt, sound = store.create(make(0)), store.create(make(1))
    (store.root / spoilt.id / "run.json").write_text('{"id": ')
    (store.root / "lost+found").mkdir()
    (store.root / "20270112-063108-250000-3f9a1c2e").write_text("a file where a folder should be")
    assert [r.id for r in store.newest_first()] == [sound.id]
    assert spoilt.id in caplog.text
    with pytest.raises(StoreFailed, match="cannot be read"):
        store.read(spoilt.id)


def test_an_event_that_a_crash_cut_short_is_passed_over_and_later_ones_are_whole(store: RunStore) -> None:
    """Numbers of later events stay what they are."""
    run = store.create(make())
    store.append_event(run.id, {"event": "state"})
    with open(store.root / run.id / "events.jsonl", "ab") as file:
        file.write(b'{"event": "prog')
    assert store.events(run.id) == [(1, {"event": "state"})]
    store.append_event(run.id, {"event": "state", "state": "error"})
    assert store.events(run.id) == [(1, {"event": "state"}), (3, {"event": "state", "state": "error"})]
    assert store.events(run.id, after=1) == [(3, {"event": "state", "state": "error"})]


def test_ids_sort_by_time_and_differ_at_the_same_instant() -> None:
    """Two processes that start a run in the same microsecond do not meet."""
    ids = [make(n).id for n in range(20)]
    assert ids == sorted(ids)
    assert len({make().id for _ in range(50)}) == 50


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # the examples of RFC 3339 section 5.8 (from memory, as standards notes say)
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("2027-01-12", "2027-01-12T00:00:00.000Z"),
        ("2027-01-12T08:00:00 02:00", "2027-01-12T06:00:00.000Z"),
    ],
)
def test_times_are_read_as_rfc_3339_and_written_in_utc(text: str, utc: str) -> None:
    """A plus sign that became a space on its way through an address is still an offset."""
    assert timestamp(moment_of(text, "since")) == utc


def test_nothing_stays_open(store: RunStore) -> None:
    """Over many runs the number of open files does not grow."""
    before = len(os.listdir("/proc/self/fd"))
    for n in range(20):
        run = store.create(make(n))
        store.append_event(run.id, {"event": "state"})
        store.move(run.id, "running")
    assert len(os.listdir("/proc/self/fd")) == before
