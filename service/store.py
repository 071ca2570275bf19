"""Runs on disk: one folder each, every file written whole or not at all.

runs/<id>/run.json          the record; the only file that is ever replaced
          events.jsonl      what happened, one JSON object a line, only appended
          capture-<n>.npz   evidence, written once; n counts as they were taken
          result.json       written once
          report.html       written once
A folder without run.json was cut short while it was made: it counts as not there.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

from service.errors import StoreFailed, UnknownCapture, UnknownRun
from service.run_record import RUN_ID, NamedCapture, Run, from_document, moment_of, named_captures

log = logging.getLogger(__name__)

Place = Callable[[str, str], None]
"""Gives a finished temporary file its name: `os.replace`, or `os.link`, which refuses to overwrite."""


@dataclass(frozen=True)
class RunFilter:
    """None = any. `before` is the id after which (in the newest-first order) the listing starts."""

    station: str | None = None
    kind: str | None = None
    state: str | None = None
    verdict: str | None = None
    since: datetime | None = None
    before: str | None = None

    def takes(self, run: Run) -> bool:
        """Whether the run is one of those that are looked for."""
        wanted = ((self.station, run.station), (self.kind, run.kind), (self.state, run.state),
                  (self.verdict, run.verdict))  # fmt: skip
        return all(value is None or value == actual for value, actual in wanted)


ANY = RunFilter()


def write_whole(path: Path, content: bytes, *, place: Place | None = None) -> None:
    """Write so that the name appears with all of its content, or not at all, even if the power goes.

    `place` None refuses to overwrite (FileExistsError). Source of the order of steps: the POSIX rule that
    rename is atomic, and that only fsync of file, then of folder, makes it last.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with open(temporary, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        (place or os.link)(str(temporary), str(path))
    finally:
        temporary.unlink(missing_ok=True)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make names in the folder last; systems that cannot open folders keep names by themselves."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class RunStore:
    """All runs under one folder. Several threads may use it; each run is changed by one process only."""

    def __init__(self, root: Path, *, link: Place = os.link, rename: Place = os.replace) -> None:
        """`link` and `rename` are parameters so that tests can cut the power between two steps."""
        self.root = root
        self._link = link
        self._rename = rename
        self._change = threading.Lock()
        self._settled: dict[str, Run] = {}

    def create(self, run: Run) -> Run:
        """A new folder with the record in it. StoreFailed when the disk refuses."""
        with self._refusals(f"run {run.id}"):
            folder = self.root / run.id
            folder.mkdir(parents=True)
            sync_folder(self.root)
            write_whole(folder / "run.json", _json(run.as_document()), place=self._link)
        return run

    def read(self, run_id: str) -> Run:
        """UnknownRun when there is none (or only a half-made folder)."""
        run = self._read(run_id) if RUN_ID.fullmatch(run_id) else None
        if run is None:
            raise UnknownRun(f"no run {run_id[:80]!r}")
        return run

    def move(self, run_id: str, state: str, **changes: Any) -> Run:
        """Bring the run into another state. IllegalMove, UnknownRun, StoreFailed."""
        with self._change:
            return self._replace(self.read(run_id).moved(state, **changes))

    def keep_capture(self, run_id: str, label: str, npz: bytes) -> NamedCapture:
        """Keep one more capture; returns how it is called. The file is there before the record names it."""
        with self._change:
            run = self.read(run_id)
            number = len(run.captures)
            self._write_once(run_id, f"capture-{number}.npz", npz)
            run = self._replace(replace(run, captures=(*run.captures, label)))
        return next(c for c in named_captures(run.captures) if c.position == number)

    def keep_result(self, run_id: str, document: dict[str, Any]) -> None:
        """The result document; written once."""
        self._write_once(run_id, "result.json", _json(document))

    def keep_report(self, run_id: str, html: str) -> None:
        """The report; written once."""
        self._write_once(run_id, "report.html", html.encode("utf-8"))

    def result(self, run_id: str) -> dict[str, Any] | None:
        """None while there is none."""
        path = self.root / self.read(run_id).id / "result.json"
        return json.loads(path.read_bytes()) if path.exists() else None

    def report(self, run_id: str) -> Path:
        """Where the report is; UnknownCapture while there is none."""
        run = self.read(run_id)
        path = self.root / run.id / "report.html"
        if not path.exists():
            raise UnknownCapture(
                f"run {run.id} is {run.state} and has no report{'' if run.settled else ' yet'}"
            )
        return path

    def capture(self, run_id: str, name: str) -> Path:
        """Where the capture of that name is ("0", "look-0"); UnknownCapture says which there are."""
        run = self.read(run_id)
        named = named_captures(run.captures)
        path = next((self.root / run.id / f"capture-{c.position}.npz" for c in named if c.name == name), None)
        if path is None or not path.exists():
            there = f"captures {', '.join(c.name for c in named)}" if named else "no capture"
            raise UnknownCapture(f"run {run.id} has no capture {name[:80]!r}; it has {there}")
        return path

    def folder(self, run_id: str) -> Path:
        """The run's folder; UnknownRun."""
        return self.root / self.read(run_id).id

    def append_event(self, run_id: str, event: dict[str, Any]) -> None:
        """One line more. Progress is not evidence: it is flushed, not synced."""
        path = self.root / run_id / "events.jsonl"
        line = json.dumps(event, separators=(",", ":")).encode() + b"\n"
        with self._refusals(f"the events of run {run_id}"), self._change, open(path, "ab+") as file:
            if file.tell() and not _ends_line(file):
                line = b"\n" + line  # a crash cut the last one short
            file.write(line)

    def events(self, run_id: str, after: int = 0) -> list[tuple[int, dict[str, Any]]]:
        """(number from 1, event) of all events after number `after`; a line that was cut short is not one."""
        path = self.root / self.read(run_id).id / "events.jsonl"
        if not path.exists():
            return []
        lines = path.read_bytes().split(b"\n")[:-1]
        return [(n, event) for n, line in enumerate(lines, 1) if n > after for event in _whole(line)]

    def listing(self, wanted: RunFilter, limit: int) -> tuple[list[Run], bool]:
        """At most `limit` runs, newest first, and whether there are more."""
        found: list[Run] = []
        for run in self.newest_first(wanted):
            if len(found) == limit:
                return found, True
            found.append(run)
        return found, False

    def newest_first(self, wanted: RunFilter = ANY) -> Iterator[Run]:
        """All runs that the filter takes; folders that hold no readable record are passed over."""
        for run_id in sorted(self._ids(), reverse=True):
            if wanted.before is not None and run_id >= wanted.before:
                continue
            run = self._settled.get(run_id) or self._read_if_sound(run_id)
            if run is None:
                continue
            if run.settled:
                self._settled[run_id] = run
            if wanted.since is not None and moment_of(run.created_at, "created_at") < wanted.since:
                return
            if wanted.takes(run):
                yield run

    def newest_of(self, stations: Iterable[str]) -> dict[str, Run]:
        """The newest run of each of the stations that have any, found in one pass."""
        missing, found = set(stations), {}
        for run in self.newest_first():
            if run.station in missing:
                found[run.station] = run
                missing.discard(run.station)
            if not missing:
                break
        return found

    def _ids(self) -> list[str]:
        try:
            return [name for name in os.listdir(self.root) if RUN_ID.fullmatch(name)]
        except FileNotFoundError:
            return []

    def _read(self, run_id: str) -> Run | None:
        try:
            return from_document(json.loads((self.root / run_id / "run.json").read_bytes()))
        except (FileNotFoundError, NotADirectoryError):
            return None
        except (OSError, ValueError, TypeError) as error:
            raise StoreFailed(f"the record of run {run_id} in {self.root} cannot be read: {error}") from error

    def _read_if_sound(self, run_id: str) -> Run | None:
        """One spoilt record must not hide all other runs."""
        try:
            return self._read(run_id)
        except StoreFailed as error:
            log.warning("%s", error)
            return None

    def _replace(self, run: Run) -> Run:
        with self._refusals(f"run {run.id}"):
            write_whole(self.root / run.id / "run.json", _json(run.as_document()), place=self._rename)
        return run

    def _write_once(self, run_id: str, name: str, content: bytes) -> None:
        with self._refusals(f"{name} of run {run_id}"):
            write_whole(self.root / run_id / name, content, place=self._link)

    @contextmanager
    def _refusals(self, what: str) -> Iterator[None]:
        """What the disk says as an error of ours that names the run."""
        try:
            yield
        except OSError as error:
            raise StoreFailed(
                f"{what} could not be written in {self.root}: {error.strerror or error}"
            ) from error


def _json(document: dict[str, Any]) -> bytes:
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False).encode("utf-8") + b"\n"


def _ends_line(file: BinaryIO) -> bool:
    file.seek(-1, os.SEEK_END)
    return file.read(1) == b"\n"


def _whole(line: bytes) -> list[dict[str, Any]]:
    """The event of the line, or nothing where a crash cut it short."""
    try:
        return [json.loads(line)]
    except ValueError:
        return []
