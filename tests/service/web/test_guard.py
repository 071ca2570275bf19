"""What other pages of a browser on this machine must not be able to do."""

from __future__ import annotations

import pytest

from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL
from tests.service.web.test_error_shape import assert_problem

BODY = {"send": {"text": "Tide 7"}}


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8320", "localhost", "LOCALHOST:1", "[::1]:8320"])
def test_the_names_of_this_machine_are_answered(client: Client, host: str) -> None:
    """With any port: a forwarded port is no danger."""
    assert client.get("/healthz", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["example.org", "127.0.0.1.example.org", "localhost.example.org:8320", "", "[::1"]
)
def test_a_strange_name_that_leads_here_is_refused(client: Client, host: str) -> None:
    """DNS rebinding: 421, misdirected request (RFC 9110 15.5.20)."""
    assert_problem(client.get("/api/v1/stations", headers={"Host": host}), 421)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://example.org"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_page_of_another_site_cannot_start_or_stop_runs(client: Client, headers: dict[str, str]) -> None:
    """A cross-site request is refused before anything is read of it."""
    assert_problem(client.post(URL, json=BODY, headers=headers), 403)
    run = client.post(URL, json=BODY).json()
    assert_problem(client.post(run["href"] + "/cancel", headers=headers), 403)
    assert len(client.get("/api/v1/runs").json()) == 1


@pytest.mark.parametrize(
    "headers",
    [{}, {"Origin": "http://127.0.0.1"}, {"Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "none"}],
)
def test_scripts_and_our_own_pages_can(client: Client, headers: dict[str, str]) -> None:
    """No Origin at all is a script; our own origin is our own page."""
    assert client.post(URL, json=BODY, headers=headers).status_code == 202


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data"])
def test_what_a_form_of_any_page_could_send_is_not_taken(client: Client, kind: str) -> None:
    """The three types that a browser sends across sites without asking (Fetch standard, safelisted)."""
    response = client.post(URL, content=b'{"send": {"text": "x"}}', headers={"Content-Type": kind})
    assert_problem(response, 415)


def test_a_body_without_a_type_is_not_guessed_at(client: Client) -> None:
    """415 and the wanted type in words."""
    assert_problem(client.post(URL, content=b'{"send": {"text": "x"}}'), 415, "application/json")


def test_every_answer_carries_the_protective_headers_and_a_report_may_only_draw(client: Client) -> None:
    """A report shows what a firmware sent: it may have style, never script."""
    run = client.post(URL, json=BODY).json()
    client.get(run["href"] + "/events")
    answer = client.get(run["href"])
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    policy = client.get(run["href"] + "/report").headers["content-security-policy"]
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
