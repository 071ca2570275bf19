"""HEAD is answered wherever GET is (RFC 9110 9.1), with the headers of GET and nothing behind them."""

from __future__ import annotations

import pytest

from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL
from tests.service.web.test_error_shape import assert_problem

BODY = {"send": {"text": "Tide 7"}}


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/openapi.json", "/api/v1/stations", "/api/v1/runs"])
def test_head_is_get_without_the_body(client: Client, path: str) -> None:
    """Scripts ask so whether something is there."""
    head, get = client.head(path), client.get(path)
    assert head.status_code == get.status_code == 200
    assert head.content == b""
    for name in ("content-type", "content-length"):
        assert head.headers[name] == get.headers[name]


def test_head_of_what_is_not_there_is_404_without_a_body(client: Client) -> None:
    """An error has no body either."""
    response = client.head("/api/v1/runs/none")
    assert response.status_code == 404
    assert response.content == b""


def test_head_of_the_events_of_a_run_does_not_wait_for_its_end(client: Client) -> None:
    """Its headers are there at once."""
    run = client.post(URL, json=BODY).json()
    response = client.head(run["href"] + "/events")
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("text/event-stream")


def test_allow_names_head_beside_get(client: Client) -> None:
    """405 says what is possible (RFC 9110 15.5.6)."""
    response = client.delete("/api/v1/runs")
    assert_problem(response, 405)
    assert {"GET", "HEAD"} <= {word.strip() for word in response.headers["allow"].split(",")}
    response = client.head(URL)
    assert response.status_code == 405
    assert "HEAD" not in response.headers["allow"]
