"""The lab's own figures over HTTP and from the command: JSON, page and plain text say the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.cli.main import run
from service.room.breaks import Window
from service.room.statistics import statistics_document
from service.web.app import create_app
from service.web.statistics import EXAMPLE
from tests.service.bench_of_straw import straw_wiring
from tests.service.cli.test_main import STATIONS
from tests.service.room.papers import Hands, kept_check, kept_failure
from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/statistics"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    """A lab that was checked for two days and had one run that ended in an error."""
    clock = Hands(datetime(2027, 1, 11, 6, 0, tzinfo=UTC))
    wiring = straw_wiring(tmp_path, more={"clock": clock})
    kept_check(wiring.store, "north-1", clock.now)
    kept_check(wiring.store, "north-1", clock.forward(days=1), {"identity_changes": 1.0})
    kept_failure(wiring.store, "north-1", clock.forward(hours=1))
    clock.forward(hours=1)
    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


def test_the_figures_come_as_whoever_asks_likes_them(client: Client) -> None:
    """By Accept and `format`; the page may do nothing but be shown, and draws each range in words too."""
    told = client.get(URL).json()
    assert told["failures"][0]["words"] == "1 in 24 h: 1.1 to 232 per 1,000 h"
    assert told["tests"][0]["words"] == "1 of 1 could not be judged: 2.5 to 100 %"
    page = client.get(f"{URL}?since=2027-01-01&until=2027-02-01", headers={"Accept": "text/html"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "sandbox" in page.headers["content-security-policy"]
    assert "<script" not in page.text
    assert "1 in 24 h: 1.1 to 232 per 1,000 h" in page.text
    assert 'aria-label="from 1.1 to 232 in 1,000 hours"' in page.text
    text = client.get(f"{URL}?format=text").text
    assert text.startswith("The lab from 2026-07-14 to 2027-01-12\n====")
    assert "Share of disputed results" in text


def test_wrong_times_are_refused_with_what_they_should_be(client: Client) -> None:
    """400 for times, 422 for the format."""
    assert_problem(client.get(f"{URL}?since=2027-01-12&until=2027-01-01"), 400, "is not before")
    assert_problem(client.get(f"{URL}?since=term"), 400, "is not a time")
    assert_problem(client.get(f"{URL}?format=pdf"), 422, "format")


def test_the_example_has_the_keys_of_the_answer() -> None:
    """Whoever writes a script by the description finds what it says."""
    window = Window(datetime(2026, 9, 1, tzinfo=UTC), datetime(2027, 2, 1, tzinfo=UTC))
    document = statistics_document(window, [], [])
    assert list(EXAMPLE) == list(document)
    assert list(EXAMPLE["tests"][0]) == list(document["tests"][0])


def test_the_command_says_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of an empty lab too: nothing is made up."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    lab = ["--stations", str(stations), "--data", str(tmp_path / "data")]
    page = tmp_path / "term.html"
    assert run(["statistics", "--html", str(page), *lab]) == 0
    out = capsys.readouterr().out
    assert "nothing was broken" in out
    assert "nobody waited" in out
    assert page.read_text().startswith("<!doctype html>")
    assert run(["statistics", "--json", "--since", "2026-09-01", "--until", "2026-10-01", *lab]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["failures"][0]["words"] == "no hours in service"
    assert run(["statistics", "--since", "term", *lab]) == 2
