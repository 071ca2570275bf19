"""History, comparison and baselines over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.web.app import create_app
from tests.service.bench_of_straw import straw_wiring
from tests.service.room.papers import kept_check
from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

STATION = "/api/v1/stations/north-1"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    """A service whose station north-1 was checked on ten days, north-2 never."""
    wiring = straw_wiring(tmp_path)
    wiring.room.inventory.add("P-1", "probe", "", "Ida")
    start = datetime.now(UTC) - timedelta(days=10)
    for day in range(10):
        kept_check(wiring.store, "north-1", start + timedelta(days=day))
    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


def test_numbers_of_a_station_and_of_one_name(client: Client) -> None:
    """All with their trends, one with its points."""
    courses = client.get(f"{STATION}/history").json()
    assert {c["name"]: c["kind"] for c in courses}["to_target.probe_factor"] == "steady"
    assert all(c["points"] == [] for c in courses)
    (one,) = client.get(f"{STATION}/history?name=echo_errors").json()
    assert (len(one["points"]), one["points"][0]["value"]) == (10, 0.0)
    since = one["points"][5]["at"]
    (late,) = client.get(f"{STATION}/history?name=echo_errors&since={since}").json()
    assert len(late["points"]) == 5
    assert_problem(client.get(f"{STATION}/history?name=gain"), 404, "echo_errors")
    assert_problem(client.get(f"{STATION}/history?since=once"), 400)
    assert client.get("/api/v1/stations/north-2/history").json() == []
    assert client.get("/api/v1/items/P-1/history").json() == []


def test_what_stands_out_in_the_room(client: Client) -> None:
    """Nothing here; a name without values is 404."""
    found = client.get("/api/v1/comparison?name=probe_factor").json()
    assert (found["things"], found["decided"]) == ([], False)
    assert_problem(client.get("/api/v1/comparison?name=gain"), 404, "gain")
    assert_problem(client.get("/api/v1/comparison"), 422, "name")


def test_a_baseline_is_made_and_shown(client: Client) -> None:
    """From ten checks; at once again there are none to make it from."""
    made = client.post(f"{STATION}/baselines", json={"because": "commissioned"})
    assert made.status_code == 201, made.text
    shown = client.get(f"{STATION}/baselines").json()
    assert shown == made.json()
    assert {b["repeats"] for b in shown} == {10}
    assert_problem(client.post(f"{STATION}/baselines", json={"because": "again"}), 409, "10 checks")
    assert_problem(client.post(f"{STATION}/baselines", json={}), 422, "because")
    assert len(client.get(f"{STATION}/baselines?replaced=true").json()) == len(shown)
