"""Runs that wait for a person, classes, limits and workers, as a client sees them over HTTP."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from service.web.app import create_app
from tests.service.bench_of_straw import StrawEchoTest
from tests.service.test_waiting import Guided, ask, guided, wait_for
from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL, settled
from tests.service.web.test_error_shape import assert_problem


def test_a_person_reads_what_to_do_and_says_that_it_is_done(tmp_path: Path) -> None:
    """State, prompt and limit stand in the run; `continue` without a body will do."""
    wiring = guided(tmp_path, Guided())
    with Client(create_app(wiring), base_url="http://127.0.0.1") as client:
        run = wait_for(wiring, ask(wiring), "waiting")
        href = f"/api/v1/runs/{run.id}"
        shown = client.get(href).json()
        assert shown["state"] == "waiting"
        assert shown["waiting_for"]["text"] == "Put probe 1 on the reference terminal"
        assert shown["waiting_for"]["until"] > shown["created_at"]
        assert client.post(f"{href}/continue").status_code == 202
        assert settled(client, href)["verdict"] == "pass"
        assert_problem(client.post(f"{href}/continue"), 409, "waits for nobody")
        states = [e["state"] for _, e in wiring.store.events(run.id) if e["event"] == "state"]
        assert states == ["queued", "running", "waiting", "running", "done"]


def test_class_and_limit_are_taken_from_the_request(serve_straw: Callable[..., Client]) -> None:
    """Both optional; nonsense is refused."""
    client = serve_straw(StrawEchoTest(gated=True))
    body = {"send": {"text": "Tide 7"}}
    href = client.post(URL, json={**body, "priority": "check", "limit_s": 0.3}).headers["Location"]
    run = settled(client, href)
    assert (run["priority"], run["state"]) == ("check", "error")
    assert run["error"]["type"] == "/problems/time-is-up"
    assert_problem(client.post(URL, json={**body, "priority": "urgent"}), 422, "priority")
    assert_problem(client.post(URL, json={**body, "limit_s": 0}), 422, "limit_s")


def test_a_station_shows_who_does_its_runs(serve_straw: Callable[..., Client]) -> None:
    """The service itself by default; nobody where it only takes requests."""
    worker = serve_straw().get("/api/v1/stations/north-1").json()["worker"]
    assert worker["alive"]
    assert worker["id"].endswith("/serve")


def test_a_service_that_only_takes_requests_says_that_nobody_does_them(
    serve_straw: Callable[..., Client],
) -> None:
    """The run waits in its queue for a worker."""
    client = serve_straw(worker=False)
    assert client.get("/api/v1/stations/north-1").json()["worker"] is None
    href = client.post(URL, json={"send": {"text": "Tide 7"}}).headers["Location"]
    assert client.get(href).json()["state"] == "queued"
    run_id = href.rsplit("/", 1)[1]
    assert client.get("/api/v1/stations/north-1").json()["queue"] == [run_id]
    assert client.post(f"{href}/move").status_code == 202
    assert client.post(f"{href}/cancel").json()["state"] == "cancelled"
    assert_problem(client.post(f"{href}/move"), 409, "cancelled")
