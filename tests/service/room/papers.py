"""Check documents and settled runs for the tests of the room, made without a bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from service.check.document import check_document
from service.check.items import CheckItem, make_item
from service.pipeline.findings import Finding
from service.run_record import Run, new_run, timestamp
from service.store import RunStore

GOOD: tuple[tuple[str, float, float, str, float | None, float | None], ...] = (
    ("identity_changes", 0.0, 0.0, "scope", None, 0.0),
    ("to_target.zero", 0.004, 0.002, "scope/ch1", -0.1, 0.1),
    ("to_target.probe_factor", 1.0, 0.02, "probe/to_target", 0.9, 1.1),
    ("from_target.probe_factor", 1.0, 0.02, "probe/from_target", 0.9, 1.1),
    ("stimulus_errors", 0.0, 0.0, "bridge", None, 0.0),
    ("echo_errors", 0.0, 0.0, "board", None, 0.0),
)
"""name, value, u, subject, low, high: what a short check of a good bench brings."""


def items(changes: Mapping[str, float] | None = None) -> list[CheckItem]:
    """The good items; `changes` replace values by name, or add `to_target.swing_change` and the like."""
    changes = dict(changes or {})
    found = [
        make_item(name, changes.pop(name, value), u, subject, low=low, high=high)
        for name, value, u, subject, low, high in GOOD
    ]
    for name, value in changes.items():
        subject = f"probe/{name.split('.')[0]}" if "." in name else "scope"
        found.append(make_item(name, value, 0.01, subject, low=-3.0, high=3.0))
    return found


def document(
    station: str,
    at: datetime,
    values: Mapping[str, float] | None = None,
    findings: Sequence[Finding] = (),
    **more: Any,
) -> dict[str, Any]:
    """The document of a check of that station."""
    return check_document(station, items(values), findings, checked_at=at, **more)


def kept_check(
    store: RunStore,
    station: str,
    at: datetime,
    values: Mapping[str, float] | None = None,
    *,
    took_s: float = 30.0,
    findings: Sequence[Finding] = (),
    **more: Any,
) -> Run:
    """A check that began at that time and is done, in the store."""
    end = at + timedelta(seconds=took_s)
    told = document(station, end, values, findings, **more)
    run = store.create(new_run("check", station, {}, at, origin="service"))
    store.move(run.id, "running", started_at=timestamp(at))
    store.keep_result(run.id, told, at=timestamp(end))
    return store.move(run.id, "done", finished_at=timestamp(end), verdict=told["verdict"])


def kept_failure(
    store: RunStore, station: str, at: datetime, name: str = "not-reachable", kind: str = "echo-test"
) -> Run:
    """A run that ended in an error of that problem type."""
    run = store.create(new_run(kind, station, {"payload_hex": "41"}, at, origin="service"))
    store.move(run.id, "running", started_at=timestamp(at))
    problem = {"type": f"/problems/{name}", "title": "Trouble", "status": 502, "detail": "nothing answers"}
    return store.move(run.id, "error", finished_at=timestamp(at + timedelta(seconds=3)), error=problem)


class Hands:
    """A clock that stands still until it is moved."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **duration: float) -> datetime:
        self.now += timedelta(**duration)
        return self.now
