"""The service behind a real socket."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from service.errors import BadSettings, FolderInUse
from service.intake import command_run
from service.journal import Watcher
from service.plans import Send
from service.runs import perform
from service.settings import bind_address
from service.web import events
from service.web.serving import serve, serving
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring

ECHO = "/api/v1/stations/north-1/echo-tests"


def test_an_echo_test_over_a_real_socket(tmp_path: Path) -> None:
    """uvicorn on a free loopback port: ask, follow the events to the end, read the run."""
    with (
        serving(straw_wiring(tmp_path)) as url,
        httpx.Client(base_url=url, timeout=20) as client,
    ):
        asked = client.post(ECHO, json={"send": {"text": "Tide 7"}})
        assert asked.status_code == 202
        with client.stream("GET", asked.headers["Location"] + "/events") as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            lines = [line for line in stream.iter_lines() if line.startswith("event: ")]
        assert lines[-1] == "event: end"
        assert client.get(asked.headers["Location"]).json()["verdict"] == "pass"
        assert client.get("/readyz").json()["stations"] == ["north-1", "north-2", "south-1"]


def test_events_arrive_while_the_run_is_at_work(tmp_path: Path) -> None:
    """Live, not collected: progress is read before the run is let go."""
    echo = StrawEchoTest(gated=True)
    with serving(straw_wiring(tmp_path, echo)) as url, httpx.Client(base_url=url, timeout=20) as client:
        run = client.post(ECHO, json={"send": {"text": "Tide 7"}}).headers["Location"]
        seen = []
        with client.stream("GET", run + "/events") as stream:
            for line in stream.iter_lines():
                seen.append(line)
                if line == "event: capture":
                    echo.let_go.release()
        assert seen.index("event: progress") < seen.index("event: capture") < seen.index("event: end")


def test_a_signal_ends_the_service_at_once_even_with_a_reader_of_events(tmp_path: Path) -> None:
    """SIGTERM: exit code 0 within seconds, the reader's stream is closed, the run says so."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[3],
    )
    try:
        assert child.stdout is not None
        url = child.stdout.readline().strip()
        with httpx.Client(base_url=url, timeout=20) as client:
            run = client.post(ECHO, json={"send": {"text": "Tide 7"}}).headers["Location"]
            with client.stream("GET", run + "/events") as stream:
                lines = stream.iter_lines()
                assert next(line for line in lines if line == "event: capture")
                child.send_signal(signal.SIGTERM)
                assert "event: end" not in list(lines)
        assert child.wait(timeout=30) == 0
    finally:
        child.kill()
        child.communicate()
    (record,) = straw_wiring(tmp_path).store.newest_first()
    assert record.state == "queued"  # it goes on when the service is back


CHILD = """
import os, sys, threading
from pathlib import Path
from service.web.serving import serve
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
threading.Thread(target=lambda: (sys.stdin.read(), os._exit(9)), daemon=True).start()
folder = Path(sys.argv[1])
wiring = straw_wiring(folder, StrawEchoTest(gated=True))
wiring.engine._close_grace_s = 0.0
serve(wiring.settings, wiring=wiring, on_ready=lambda url: print(url, flush=True))
"""


def test_a_second_service_on_the_same_data_says_so_instead_of_starting(tmp_path: Path) -> None:
    """The error comes out of `serve`, for the command to print."""
    with serving(straw_wiring(tmp_path)):
        second = straw_wiring(tmp_path)
        with pytest.raises(FolderInUse, match="another service"):
            serve(second.settings, wiring=second)


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    """One sentence with host, port and what to do."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        wiring = straw_wiring(tmp_path, port=taken.getsockname()[1])
        with pytest.raises(BadSettings, match=r"cannot listen on 127.0.0.1 port \d+: .*--port"):
            serve(wiring.settings, wiring=wiring)


@pytest.mark.parametrize(
    "host", ["0.0.0.0", "::", "192.0.2.7", "bench-pc.example.org", "127.0.0.1.example.org"]
)
def test_other_hosts_than_loopback_are_refused(tmp_path: Path, host: str) -> None:
    """Until tokens exist nobody but this machine may come in (RFC 5737 address as the example)."""
    assert not bind_address(host)[1]
    wiring = straw_wiring(tmp_path, host=host)
    with pytest.raises(BadSettings, match="loopback"):
        serve(wiring.settings, wiring=wiring)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.10", "::1", "[::1]", "localhost", "LocalHost"])
def test_loopback_in_all_its_spellings_is_taken(host: str) -> None:
    """RFC 1122 3.2.1.3: all of 127/8; RFC 4291 2.5.3: ::1."""
    assert bind_address(host)[1]


def test_readiness_names_what_is_missing(tmp_path: Path) -> None:
    """503 with every reason; alive all the same."""
    wiring = straw_wiring(tmp_path)
    with serving(wiring) as url, httpx.Client(base_url=url, timeout=20) as client:
        wiring.engine.close()
        answer = client.get("/readyz")
        assert answer.status_code == 503
        assert answer.json()["missing"] == ["the worker is not running"]
        assert client.get("/healthz").json() == {"status": "ok"}


def test_many_readers_of_events_do_not_keep_others_waiting(tmp_path: Path) -> None:
    """Sixty streams open, and a plain request is still answered: no stream holds a worker thread."""
    echo = StrawEchoTest(gated=True)
    with serving(straw_wiring(tmp_path, echo)) as url, httpx.Client(base_url=url, timeout=20) as client:
        run = client.post(ECHO, json={"send": {"text": "Tide 7"}}).headers["Location"]
        echo.wait_at_work()
        reading = threading.Barrier(61, timeout=20)

        def read() -> None:
            with (
                httpx.Client(base_url=url, timeout=20) as own,
                own.stream("GET", run + "/events") as stream,
            ):
                lines = stream.iter_lines()
                assert next(lines)
                reading.wait()
                ends.append([line for line in lines if line.startswith("event: ")][-1])

        ends: list[str] = []
        readers = [threading.Thread(target=read, daemon=True) for _ in range(60)]
        for reader in readers:
            reader.start()
        reading.wait()
        assert client.get(run).json()["state"] == "running"
        echo.let_go.release()
        for reader in readers:
            reader.join(20)
        assert ends == ["event: end"] * 60


def test_a_run_that_a_command_does_can_be_followed_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process tells this one nothing: its run's events are found by looking."""
    monkeypatch.setattr(events, "LOOK_AGAIN_S", 0.02)
    echo = StrawEchoTest(gated=True)
    elsewhere = straw_wiring(tmp_path, echo)  # its own journal, as another process has
    at = elsewhere.station("north-1")
    run = command_run(at, Send(text="Tide 7"), elsewhere.journal)
    seen: list[str] = []
    command = threading.Thread(target=perform, args=(run, at, elsewhere.tools), daemon=True)
    with serving(straw_wiring(tmp_path)) as url, httpx.Client(base_url=url, timeout=20) as client:
        command.start()
        echo.wait_at_work()
        shown = client.get("/api/v1/stations/north-1").json()
        assert (shown["state"], shown["running"]) == ("busy", None)
        assert shown["in_use_by"]
        with client.stream("GET", f"/api/v1/runs/{run.id}/events") as stream:
            for line in stream.iter_lines():
                if line == "event: capture":
                    echo.let_go.release()
                seen.append(line)
        assert [line for line in seen if line.startswith("event: ")][-1] == "event: end"
        command.join(20)


def test_a_reader_that_goes_away_is_forgotten(tmp_path: Path) -> None:
    """Closed streams leave no watcher behind."""
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path, echo)
    watched, gone = wiring.journal.watched, threading.Event()

    @contextmanager
    def telling(watcher: Watcher) -> Iterator[None]:
        with watched(watcher):
            try:
                yield
            finally:
                gone.set()

    wiring.journal.watched = telling  # type: ignore[method-assign]
    with serving(wiring) as url, httpx.Client(base_url=url, timeout=20) as client:
        run = client.post(ECHO, json={"send": {"text": "Tide 7"}}).headers["Location"]
        echo.wait_at_work()
        with client.stream("GET", run + "/events") as stream:
            assert next(stream.iter_lines())
        assert gone.wait(20)
        echo.let_go.release()
