"""The whole service: a real server, a stations file, a simulated bench, and a script that speaks HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from service.settings import read_settings
from service.web.serving import serving
from service.wiring import build
from tests.whole.benches import one_bench
from tests.whole.over_http import STATIONS, finished


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A service with one station, north-1, whose firmware is good."""
    folder = tmp_path_factory.mktemp("harbour")
    with one_bench(seed=21) as bench:
        stations = folder / "harbour.toml"
        stations.write_text(STATIONS.format(scope=bench.addresses.hislip, serial=bench.addresses.serial))
        given = {"data": folder / "data", "stations": stations, "port": 0, "locks": folder / "locks"}
        with (
            serving(build(read_settings(given, {}))) as url,
            httpx.Client(base_url=f"{url}/api/v1", timeout=30) as client,
        ):
            yield client


@pytest.fixture(scope="module")
def run(api: httpx.Client) -> dict[str, Any]:
    """One finished echo test."""
    asked = api.post("/stations/north-1/echo-tests", json={"send": {"text": "Tide 7"}})
    assert asked.status_code == 202
    return finished(api, asked.headers["Location"].removeprefix("/api/v1"))


def test_a_run_ends_with_its_verdict_and_its_result(run: dict[str, Any]) -> None:
    """What a script of somebody else reads."""
    assert (run["state"], run["verdict"]) == ("done", "pass")
    assert run["result"]["schema"] == 1
    assert abs(run["result"]["lines"]["from_target"]["baud"]["value"] / 230_400 - 1) < 150e-6


def test_capture_n_judged_again_gives_the_verdict_of_the_run(api: httpx.Client, run: dict[str, Any]) -> None:
    """The evidence is enough: as NPZ to the last digit, as CSV with the same characters."""
    numbers = {}
    for form in ("npz", "csv"):
        evidence = api.get(f"/runs/{run['id']}/captures/0", params={"format": form}).content
        document = api.post(
            "/analyses",
            files={"capture": (f"capture.{form}", evidence)},
            data={"baud": "230400", "frame": "8N1", "logic": "3.3"},
        ).json()
        assert document["verdict"] == "pass"
        assert [e["echoed"] for e in document["echoes"]] == list(b"Tide 7")
        numbers[form] = document["lines"]["to_target"]["baud"]["value"]
    assert numbers["npz"] == run["result"]["lines"]["to_target"]["baud"]["value"]
    assert numbers["csv"] == pytest.approx(numbers["npz"], rel=1e-6)


def test_cursor_readings_say_nine_bits_and_ten_bits(api: httpx.Client, run: dict[str, Any]) -> None:
    """The T of "Tide" at 230,400 Bd: 39.06 us to the last edge, 43.40 us to the end of the stop bit.

    Frame bits of 0x54 (T.50) and the baud table: common arithmetic, 9 / 230400 and 10 / 230400.
    """
    found = {c["name"]: c for c in api.get(f"/runs/{run['id']}/cursors").json()}
    assert found["start-to-last-edge"]["value"] == pytest.approx(9 / 230_400, rel=1e-3)
    assert found["start-to-stop-end"]["value"] == pytest.approx(10 / 230_400, rel=1e-3)
    assert found["one-bit"]["value"] == pytest.approx(1 / 230_400, rel=1e-3)
    one = api.get(f"/runs/{run['id']}/cursors", params={"name": "one-bit", "index": 5}).json()
    assert [c["index"] for c in one] == [5]


def test_a_character_or_an_interval_that_is_not_there_is_a_problem(
    api: httpx.Client, run: dict[str, Any]
) -> None:
    """With the names of those that are."""
    for query in ({"index": "99"}, {"name": "half-a-bit"}):
        answer = api.get(f"/runs/{run['id']}/cursors", params=query)
        assert answer.status_code == 404
        assert answer.headers["Content-Type"] == "application/problem+json"
    assert "one-bit" in answer.json()["detail"]


def test_the_report_needs_nothing_else(api: httpx.Client, run: dict[str, Any]) -> None:
    """One file, both lanes, no script, nothing fetched."""
    page = api.get(f"/runs/{run['id']}/report").text
    assert "to target" in page
    assert "from target" in page
    assert "<script" not in page
    assert 'src="http' not in page


def test_two_runs_on_one_station_come_one_after_the_other(api: httpx.Client) -> None:
    """The second starts when the first has ended."""
    asked = [api.post("/stations/north-1/echo-tests", json={"send": {"text": t}}) for t in ("Ebb", "Flood")]
    first, second = (finished(api, a.headers["Location"].removeprefix("/api/v1")) for a in asked)
    assert (first["verdict"], second["verdict"]) == ("pass", "pass")
    assert second["started_at"] >= first["finished_at"]
