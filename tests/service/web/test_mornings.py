"""Morning summaries over HTTP: of now and of a day, as JSON, page and plain text."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.room.morning_plan import MorningPlan
from service.web.app import create_app
from service.web.formats import wanted
from tests.service.bench_of_straw import straw_wiring
from tests.service.room.papers import Hands, kept_check
from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/mornings"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    """A service on a Tuesday just after the summary was made."""
    clock = Hands(datetime(2027, 1, 12, 6, 0, tzinfo=UTC))
    wiring = straw_wiring(tmp_path, more={"morning": MorningPlan(at="06:30"), "clock": clock})
    kept_check(wiring.store, "north-1", clock.now)
    clock.forward(minutes=30)
    wiring.room.mornings.make_due()
    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


def test_a_summary_comes_as_whoever_asks_likes_it(client: Client) -> None:
    """By Accept, and `format` before it; the page may do nothing but be shown."""
    assert [m["date"] for m in client.get(URL).json()] == ["2027-01-12"]
    told = client.get(f"{URL}/2027-01-12").json()
    assert told["headline"] == "1 of 3 stations are ready; 2 practice only."
    assert told["deliveries"] == []
    page = client.get(f"{URL}/2027-01-12", headers={"Accept": "text/html,application/json;q=0.9"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "<script" not in page.text
    assert "sandbox" in page.headers["content-security-policy"]
    text = client.get(f"{URL}/2027-01-12?format=text", headers={"Accept": "text/html"})
    assert text.headers["content-type"] == "text/plain; charset=utf-8"
    assert "[ok] Ready:              north-1\n" in text.text
    assert client.get(f"{URL}/now").json()["stations"] == told["stations"]


def test_what_there_is_not_is_said(client: Client) -> None:
    """Another day, another format."""
    assert_problem(client.get(f"{URL}/2027-01-13"), 404, "2027-01-12")
    assert_problem(client.get(f"{URL}/2027-01-12?format=pdf"), 422, "format")


@pytest.mark.parametrize(
    ("accept", "format"),
    [
        ("", "json"),
        ("*/*", "json"),
        ("text/plain", "text"),
        ("text/plain;q=0.4, text/html;q=0.5", "html"),
        ("text/html;q=0, application/json", "json"),
        ("text/html;q=x", "json"),
    ],
)
def test_the_accept_header_is_weighed(accept: str, format: str) -> None:
    """RFC 9110 12.5.1; whoever does not care gets JSON."""
    assert wanted(accept) == format
