"""What a run leaves beside its record: captures, results and reports, whole or not at all."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from service.errors import (
    StoreFailed,
    UnknownCapture,
)
from service.run_record import named_captures
from service.store import RunStore
from tests.service.stores import AT, PowerCut, cut, files, make, refuse


def test_power_cut_while_a_capture_is_written_leaves_no_trace_of_it(light: Callable[..., RunStore]) -> None:
    """Just before the name is given: no file, no temporary file, the record names no capture."""
    run = light().create(make())
    with pytest.raises(PowerCut):
        light(rename=cut).keep_capture(run.id, "shot 1", b"codes", at=AT)
    assert files(light().folder) == []
    assert light().read(run.id).captures == ()
    assert light().keep_capture(run.id, "shot 1", b"codes", at=AT).name == "0"


def test_a_captures_file_is_named_by_what_is_in_it(store: RunStore) -> None:
    """SHA-256; two runs with the same record share the file, and both have it."""
    runs = [store.create(make(n)) for n in range(2)]
    for run in runs:
        store.keep_capture(run.id, "shot 1", b"codes", at=AT, facts={"received_hex": "41"})
    digest = hashlib.sha256(b"codes").hexdigest()
    assert files(store.folder) == [f"captures/{digest[:2]}/{digest}.npz"]
    for run in runs:
        assert store.capture(run.id, "0").read_bytes() == b"codes"
        (kept,) = store.kept(run.id)
        assert (kept.label, kept.facts) == ("shot 1", {"received_hex": "41"})


def test_a_file_that_was_cut_short_is_mended_by_keeping_it_again(
    light: Callable[..., RunStore],
) -> None:
    """Its name says what belongs in it."""
    store = light()
    first, second = (store.create(make(n)) for n in range(2))
    store.keep_capture(first.id, "shot 1", b"codes", at=AT)
    store.capture(first.id, "0").write_bytes(b"co")
    store.keep_capture(second.id, "shot 1", b"codes", at=AT)
    assert store.capture(first.id, "0").read_bytes() == b"codes"


def test_shots_are_numbered_as_in_the_result_and_looks_have_names_of_their_own(store: RunStore) -> None:
    """The looks come first at the bench and last in the list; every name leads to its own file."""
    run = store.create(make())
    labels = ("idle look 1", "sounding 1", "shot 1", "forced shot 1", "forced look 1")
    given = [store.keep_capture(run.id, label, label.encode(), at=AT).name for label in labels]
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


def test_a_result_is_never_overwritten(store: RunStore) -> None:
    """Evidence is written once."""
    run = store.create(make())
    store.keep_result(run.id, {"verdict": "pass"}, at=AT)
    with pytest.raises(StoreFailed, match="exists"):
        store.keep_result(run.id, {"verdict": "fail"}, at=AT)
    assert store.result(run.id) == {"verdict": "pass"}


def test_a_report_is_found_where_the_record_says_and_may_be_drawn_again(store: RunStore) -> None:
    """After a crash it is drawn anew; before there is one, asking says so."""
    run = store.create(make())
    with pytest.raises(UnknownCapture, match="no report yet"):
        store.report(run.id)
    store.keep_report(run.id, "half")
    store.keep_report(run.id, "report")
    assert store.report(run.id).read_text() == "report"
    assert store.read(run.id).report


def test_a_full_disk_is_named_with_the_run(light: Callable[..., RunStore]) -> None:
    """One sentence: what, where, why; nothing half is left."""
    run = light().create(make())
    full = light(rename=refuse)
    with pytest.raises(StoreFailed, match=rf"report of run {run.id} .*No space left"):
        full.keep_report(run.id, "report")
    with pytest.raises(StoreFailed, match=rf"'shot 1' of run {run.id} .*No space left"):
        full.keep_capture(run.id, "shot 1", b"codes", at=AT)
    assert files(full.folder) == []
    assert not light().read(run.id).report


def test_a_result_with_a_number_that_json_does_not_know_is_a_mistake_and_not_kept(store: RunStore) -> None:
    """RFC 8259 section 6: NaN and infinity are not numbers there."""
    run = store.create(make())
    with pytest.raises((ValueError, sa.exc.StatementError), match="JSON"):
        store.keep_result(run.id, {"value": float("nan")}, at=AT)
    assert store.result(run.id) is None


def test_no_temporary_file_stays(light: Callable[..., RunStore]) -> None:
    """Neither beside captures nor beside reports."""
    store = light()
    run = store.create(make())
    store.keep_capture(run.id, "shot 1", b"codes", at=AT)
    store.keep_report(run.id, "report")
    assert not [name for name in files(store.folder) if name.endswith(".part")]
    assert os.listdir(store.folder / "runs" / run.id) == ["report.html"]
