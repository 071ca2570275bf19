"""Simulated benches that note who was connected to each scope when, and workers as processes of their own."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from service.plans import Send
from service.run_record import Run
from service.settings import read_settings
from service.wiring import Wiring, build, post_of
from simulator.bench import Bench, open_benches
from simulator.transports import raw_socket
from tests.durability.victim import station_of

ROOT = Path(__file__).parents[2]


@dataclass
class Visits:
    """The simulator's own notes: for each scope, who had a connection to it, and how often it was armed."""

    guard: threading.Lock = field(default_factory=threading.Lock)
    open: dict[int, int] = field(default_factory=dict)
    most: dict[int, int] = field(default_factory=dict)
    armed: dict[int, int] = field(default_factory=dict)
    total: dict[int, int] = field(default_factory=dict)
    """How many connections there ever were."""

    def watch(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """From now on; before the benches are opened."""
        real = raw_socket.serve

        def serve(connection: Any, scope: Any) -> None:
            key = id(scope)
            with self.guard:
                self.open[key] = self.open.get(key, 0) + 1
                self.total[key] = self.total.get(key, 0) + 1
                self.most[key] = max(self.most.get(key, 0), self.open[key])
            try:
                real(connection, scope)
            finally:
                with self.guard:
                    self.open[key] -= 1

        monkeypatch.setattr(raw_socket, "serve", serve)

    def count_arms(self, benches: Sequence[Bench]) -> None:
        """How often each scope leaves its idle state."""
        for bench in benches:
            acquisition, key = bench.scope.acquisition, id(bench.scope)
            real = acquisition._on_state

            def on_state(state: str, key: int = key, real: Callable[[str], None] = real) -> None:
                if state == "before":
                    self.armed[key] = self.armed.get(key, 0) + 1
                real(state)

            acquisition._on_state = on_state


@dataclass
class Lab:
    """Benches, and the data of one service."""

    folder: Path
    database: str
    benches: tuple[Bench, ...]

    @property
    def stations(self) -> list[dict[str, str]]:
        return [
            {"name": b.addresses.station, "scope": b.addresses.socket, "serial": b.addresses.serial}
            for b in self.benches
        ]

    def office(self) -> Wiring:
        """A service that only takes requests, in this process."""
        given = {"data": self.folder / "data", "database": self.database, "locks": self.folder / "locks"}
        settings = read_settings({**given, "worker": False}, env={})
        return build(settings, stations=[station_of(s) for s in self.stations], post=post_of(settings))

    @contextmanager
    def worker(self, *, die: str = "", own: Sequence[str] | None = None, name: str = "a") -> Iterator[Worker]:
        """A worker process while the block runs; it may be dead at the end of it."""
        told = {
            "data": str(self.folder / "data"),
            "database": self.database,
            "locks": str(self.folder / "locks"),
            "stations": self.stations,
            "die": die,
            "own": list(own) if own else None,
            "name": name,
        }
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.durability.victim"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        worker = Worker(child)
        try:
            assert child.stdin is not None
            child.stdin.write(json.dumps(told) + "\n")
            child.stdin.flush()
            worker.reader.start()
            yield worker
            if child.poll() is None:
                child.stdin.close()
                child.wait(timeout=40)
        finally:
            child.kill()
            child.wait()
            worker.reader.join(10)
            for pipe in (child.stdin, child.stdout):
                if pipe is not None and not pipe.closed:
                    pipe.close()


class Worker:
    """A process with what it said."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.said: list[str] = []
        self.news = threading.Condition()
        self.reader = threading.Thread(target=self._read, daemon=True)

    def wait_ready(self) -> None:
        self.wait(lambda: "ready" in self.said)

    def wait_dead(self) -> None:
        """Killed by itself."""
        assert self.process.wait(timeout=40) == -9

    def wait(self, condition: Callable[[], bool]) -> None:
        with self.news:
            assert self.news.wait_for(lambda: condition() or self.process.poll() is not None, timeout=40)
        assert condition(), f"the worker ended with {self.process.poll()}"

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self.news:
                self.said.append(line.strip())
                self.news.notify_all()
        with self.news:
            self.news.notify_all()


@contextmanager
def lab(folder: Path, database: str, visits: Visits, count: int = 1) -> Iterator[Lab]:
    """Benches with a virtual clock, and nothing that works for them yet."""
    with open_benches(count=count) as benches:
        visits.count_arms(benches)
        yield Lab(folder, database, benches)


def ask(wiring: Wiring, station: str, text: str = "Tide 7", **more: Any) -> Run:
    return wiring.intake.request_echo_test(station, Send(text=text), **more)


def settled(wiring: Wiring, runs: Sequence[Run], within_s: float = 50.0) -> list[Run]:
    """The runs when all of them are settled; their workers are elsewhere, so looking is the only way."""
    end = time.monotonic() + within_s
    while True:
        now = [wiring.store.read(run.id) for run in runs]
        if all(run.settled for run in now):
            return now
        assert time.monotonic() < end, [(run.id, run.state, run.worker) for run in now if not run.settled]
        time.sleep(0.02)


@contextmanager
def office_of(place: Lab) -> Iterator[Wiring]:
    """The office, started."""
    with ExitStack() as stack:
        wiring = place.office()
        wiring.engine.start()
        stack.callback(wiring.store.database.close)
        stack.callback(wiring.engine.close)
        yield wiring
