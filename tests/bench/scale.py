"""Many stations at once: simulated benches in one process, the service in another, everything over HTTP.

And one idle station, where the service's own share is told apart: the same echo test done bare, turn about.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.run_record import moment_of
from service.stations import load_stations
from tests.bench.figures import Figure

ROOT = Path(__file__).parents[2]
COUNTS = (50, 200)
MORNING, WINDOW_S = 40, 300.0
"""A large room's morning check, and how long it may take (needs of this house, B1: five minutes)."""
ASK: dict[str, tuple[str, dict[str, Any]]] = {
    "echo-test": ("echo-tests", {"send": {"text": "Tide 7"}}),
    "check": ("checks", {}),
}
"""Kinds of runs that can be asked of all stations."""
OVERHEAD_MS = 250.0
REPEATS = 15
IDLE_S = 5.0
SETTLE_S = 2.0
LONGEST_S = 900.0
AT_ONCE = 8
"""Requests that are on their way at the same time."""


@dataclass(frozen=True)
class Load:
    """What was seen while all stations did one run each."""

    runs_per_s: float
    start_s: list[float]
    """From the request to the run's start, one each."""
    memory_mb: float
    idle_percent: float
    good: int


def scale_figures(
    counts: Sequence[int] = COUNTS, kinds: Sequence[str] = ("echo-test", "check"), repeats: int = REPEATS
) -> Iterator[Figure]:
    """Throughput, time to start, memory and idle CPU by number of stations; growth; overhead of one run."""
    yield from overhead_figures(repeats)
    if "check" in kinds:
        yield from morning_figures()
    for kind in kinds:
        seen = {count: measure(count, kind) for count in counts}
        for count, load in seen.items():
            yield from _of_load(f"{kind}, {count} stations", count, load)
        if len(counts) > 1:
            yield from _growth(kind, counts[0], counts[-1], seen)


def morning_figures(count: int = MORNING, window_s: float = WINDOW_S) -> Iterator[Figure]:
    """The morning check of a room: from the first request until the last station's outcome."""
    load = measure(count, "check")
    name = f"morning check of {count} stations"
    yield Figure("scale", f"{name}, ready", "stations", load.good, float(count), at_most=False)
    yield Figure("scale", f"{name}, all of them", "s", count / load.runs_per_s, window_s)


def _of_load(name: str, count: int, load: Load) -> Iterator[Figure]:
    yield Figure("scale", f"{name}, ended well", "runs", load.good, float(count), at_most=False)
    yield Figure("scale", f"{name}, throughput", "runs/s", load.runs_per_s)
    yield Figure("scale", f"{name}, request to start, median", "s", statistics.median(load.start_s))
    yield Figure("scale", f"{name}, request to start, p95", "s", _p95(load.start_s))
    yield Figure("scale", f"{name}, most memory of the service", "MB", load.memory_mb)
    yield Figure("scale", f"{name}, idle CPU of the service", "% of a core", load.idle_percent)


def _growth(kind: str, few: int, many: int, seen: dict[int, Load]) -> Iterator[Figure]:
    name = f"{kind}, {few} to {many} stations"
    yield Figure(
        "scale", f"{name}, throughput", "x", seen[many].runs_per_s / seen[few].runs_per_s, note="1: the same"
    )
    yield Figure("scale", f"{name}, memory", "x", seen[many].memory_mb / seen[few].memory_mb)
    more = seen[many].idle_percent - seen[few].idle_percent
    yield Figure("scale", f"{name}, idle CPU", "% more", more)


def overhead_figures(repeats: int) -> Iterator[Figure]:
    """One idle station: by HTTP until the last event, less the bare test; medians, taken turn about."""
    with _house(1) as house:
        (station,) = load_stations(house.stations)
        bare, served = [], []
        for turn in range(repeats + 1):
            start = time.perf_counter()
            run_echo_test(station, b"Tide 7", RunHooks())
            middle = time.perf_counter()
            _until_end(house.client, house.ask(station.name, "echo-test"))
            if turn:  # the first of each loads what is loaded once
                bare.append(middle - start)
                served.append(time.perf_counter() - middle)
    more = [s - b for s, b in zip(served, bare, strict=True)]
    overhead = statistics.median(more)
    note = f"bare {statistics.median(bare) * 1e3:.0f} ms, served {statistics.median(served) * 1e3:.0f} ms"
    note += f", least {min(more) * 1e3:.0f} ms"
    yield Figure(
        "scale", "one idle station, overhead of the service", "ms", overhead * 1e3, OVERHEAD_MS, note=note
    )


def measure(count: int, kind: str) -> Load:
    """One run on each of so many stations."""
    with _house(count) as house:
        names = [station.name for station in load_stations(house.stations)]
        time.sleep(SETTLE_S)
        idle = house.cpu_s()
        time.sleep(IDLE_S)
        idle = house.cpu_s() - idle
        with ThreadPoolExecutor(AT_ONCE) as pool:
            hrefs = list(pool.map(lambda name: house.ask(name, kind), names))
        runs = house.settled(len(hrefs))
        first = min(moment_of(run["created_at"], "created_at") for run in runs)
        last = max(moment_of(run["finished_at"], "finished_at") for run in runs)
        return Load(
            runs_per_s=count / (last - first).total_seconds(),
            start_s=[_between(run["created_at"], run["started_at"]) for run in runs if run["started_at"]],
            memory_mb=house.most_memory_mb(),
            idle_percent=100 * idle / IDLE_S,
            good=sum(run["state"] == "done" and run["verdict"] == "pass" for run in runs),
        )


@dataclass(frozen=True)
class _House:
    stations: Path
    process: subprocess.Popen[str]
    client: httpx.Client

    def ask(self, station: str, kind: str) -> str:
        noun, body = ASK[kind]
        answer = self.client.post(f"/api/v1/stations/{station}/{noun}", json=body)
        answer.raise_for_status()
        return str(answer.headers["location"])

    def settled(self, count: int) -> list[dict[str, Any]]:
        """All runs, once they have ended."""
        end = time.monotonic() + LONGEST_S
        while time.monotonic() < end:
            runs: list[dict[str, Any]] = self.client.get("/api/v1/runs", params={"limit": 500}).json()
            if len(runs) == count and all(run["finished_at"] for run in runs):
                return runs
            time.sleep(0.5)
        raise TimeoutError(f"not all of {count} runs ended within {LONGEST_S:g} s")

    def cpu_s(self) -> float:
        """Processor time of the service so far (proc(5): utime and stime, fields 14 and 15)."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def most_memory_mb(self) -> float:
        """Greatest resident size so far (proc(5): VmHWM, kB)."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1e3


@contextmanager
def _house(count: int) -> Iterator[_House]:
    """So many benches and a service for them, each in a process of its own, while the block runs."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchwarden-scale-")))
        stations = folder / "stations.toml"
        benches = ["simulator", "--count", str(count), "--write-stations", str(stations)]
        simulator = stack.enter_context(_child(benches, folder))
        for _ in range(count):
            json.loads(_line(simulator))
        options = [
            "--stations",
            str(stations),
            "--data",
            str(folder / "data"),
            "--port",
            "0",
            "--log",
            "json",
        ]
        process = stack.enter_context(_child(["service", "serve", *options], folder))
        url = next(word for word in _line(process).split() if word.startswith("http://"))
        client = stack.enter_context(httpx.Client(base_url=url, timeout=60, trust_env=False))
        yield _House(stations, process, client)


@contextmanager
def _child(words: Sequence[str], folder: Path) -> Iterator[subprocess.Popen[str]]:
    environment = {**os.environ, "BENCHWARDEN_LOCKS": str(folder / "locks")}
    with (folder / f"{words[0]}.log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", *words], cwd=ROOT, env=environment, text=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log,
        )  # fmt: skip
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            assert process.stdout is not None
            process.stdout.close()


def _line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        raise RuntimeError(f"{process.args!r} ended with {process.wait()}")
    return line


def _until_end(client: httpx.Client, href: str) -> None:
    with client.stream("GET", f"{href}/events") as stream:
        if not any(line == "event: end" for line in stream.iter_lines()):
            raise RuntimeError(f"{href} has no end")


def _between(first: str, second: str) -> float:
    return (moment_of(second, "second") - moment_of(first, "first")).total_seconds()


def _p95(values: Sequence[float]) -> float:
    return sorted(values)[min(int(0.95 * len(values)), len(values) - 1)]
