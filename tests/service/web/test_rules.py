"""Every call times every role: a token gets in where the matrix says so, and nowhere else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import APIRouter

from service.access.roles import ABOUT, RIGHTS, ROLES
from service.web import app as app_module
from service.web.app import calls_of_all_parts, create_app
from service.web.models import BASE
from service.web.rules import NAMES, RULES, Rules
from tests.service.bench_of_straw import straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem, wrong_address

NOBODY = "nobody"
PUBLIC = {"GET /healthz", "GET /enter", "POST /enter", "GET /problems/{name}"}
PROMISED: dict[str, str] = {
    "GET /readyz": "viewer submitter operator grader admin",
    "GET /openapi.json": "viewer submitter operator grader admin",
    "GET /stations": "viewer submitter operator grader admin",
    "POST /stations/{station}/echo-tests": "submitter operator grader admin",
    "GET /runs": "viewer submitter operator grader admin",
    "POST /runs/{run_id}/cancel": "submitter operator grader admin",
    "POST /runs/{run_id}/move": "operator admin",
    "POST /analyses": "submitter operator grader admin",
    "PUT /schedules/{name}": "operator admin",
    "DELETE /schedules/{name}": "operator admin",
    "GET /tokens": "admin",
    "POST /tokens": "admin",
    "DELETE /tokens/{token_id}": "admin",
    "GET /audit": "admin",
}
"""Written down a second time, by hand, apart from the tables that the service goes by."""


def list_tea() -> list[str]:
    """A route that somebody forgot to write a rule for."""
    return []


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, dict[str, dict[str, str]]]]:
    """A service with a token of each role; headers by role."""
    wiring = straw_wiring(tmp_path_factory.mktemp("house"), rate_per_minute=1e6)
    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        headers: dict[str, dict[str, str]] = {NOBODY: {}}
        for role in ROLES:
            secret = wiring.access.tokens.make(f"the {role}", role, by="test")[1]
            headers[role] = {"Authorization": f"Bearer {secret}"}
        yield client, headers


def answer(client: Client, method: str, path: str, headers: dict[str, str]) -> Any:
    """With a body of the right kind that is wrong all the same: nothing happens, and the door comes first."""
    if path.endswith("/analyses") or path == "/enter":
        return client.request(method, wrong_address(path), headers=headers, files={"no": b""})
    client.cookies.clear()
    body: dict[str, str] | None = {} if method in ("POST", "PUT") else None
    return client.request(method, wrong_address(path), headers=headers, json=body)


def test_every_call_lets_in_exactly_whom_the_matrix_names(
    house: tuple[Client, dict[str, dict[str, str]]],
) -> None:
    """All routes of the app, today's and tomorrow's: 401 without a token, 403 for the wrong role."""
    client, headers = house
    rules = {rule.call: rule for rule in RULES}
    rights = {right.name: right for right in RIGHTS}
    walked = 0
    for method, path in calls_of_all_parts():
        call = f"{method} {path.removeprefix(BASE)}"
        right = rules[call].right
        for role in (NOBODY, *ROLES):
            response = answer(client, method, path, headers[role])
            may = right is None or (role != NOBODY and rights[right].of(role) != "no")
            if role == NOBODY and not may:
                assert response.headers["www-authenticate"] == 'Bearer realm="benchwarden"', call
                assert response.status_code == 401, call
            elif not may:
                assert_problem(response, 403)
                assert 'error="insufficient_scope"' in response.headers["www-authenticate"], call
            else:
                refused = response.status_code in (401, 403) and call != "POST /enter"
                assert not refused, (call, role, response.text)
            walked += 1
        if call in PROMISED:
            allowed = {r for r in ROLES if right and rights[right].of(r) != "no"}
            assert allowed == set(PROMISED[call].split()), call
    assert walked >= 6 * 30


@pytest.mark.parametrize("tail", ["%0A", "%3F", "%23", "%00", "/", "%2F", "%20", ";x", "%0A%0A"])
def test_no_other_spelling_of_an_address_goes_round_its_rule(
    house: tuple[Client, dict[str, dict[str, str]]], tail: str
) -> None:
    """A router may read addresses more kindly than the door: what has no rule then is not reached at all."""
    client, headers = house
    walked = 0
    for method, path in calls_of_all_parts():
        if path in ("/openapi.json", "/healthz", "/enter") or path.startswith("/problems"):
            continue
        address = wrong_address(path).replace("east-9", "north-1") + tail
        body = {"name": "x", "role": "admin"} if method in ("POST", "PUT") else None
        client.cookies.clear()
        for role, codes in (("viewer", (403, 404, 405, 415)), (NOBODY, (401, 415))):
            answer = client.request(method, address, headers=headers[role], json=body)
            if method == "GET" and role == "viewer":
                assert answer.status_code < 500, (method, address, answer.text)
            else:
                assert answer.status_code in codes, (method, address, role, answer.text)
            walked += 1
    assert walked > 50


def test_only_what_is_justified_is_open_to_everybody() -> None:
    """Four calls, each with a reason beside it."""
    assert {rule.call for rule in RULES if rule.right is None} == PUBLIC
    assert all(rule.because for rule in RULES if rule.right is None or rule.harmless)


def test_a_call_without_a_rule_keeps_the_service_from_starting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message says where to put it."""
    router = APIRouter()
    router.add_api_route("/tea", list_tea, methods=["POST"])
    part = type("part", (), {"router": router})
    monkeypatch.setattr(app_module, "UNDER_BASE", (*app_module.UNDER_BASE, part))
    with pytest.raises(RuntimeError, match=r"POST /api/v1/tea has no row in service/web/rules.py"):
        create_app(straw_wiring(tmp_path))


def test_every_rule_belongs_to_a_call_and_every_call_stands_in_the_description(tmp_path: Path) -> None:
    """No rule for what is gone, no route that hides."""
    calls = {f"{method} {path.removeprefix(BASE)}" for method, path in calls_of_all_parts()}
    assert {rule.call for rule in RULES} == calls
    described = {
        f"{method.upper()} {path.removeprefix(BASE)}"
        for path, item in create_app(straw_wiring(tmp_path)).openapi()["paths"].items()
        for method in item
    }
    assert calls - described == {"GET /openapi.json", "HEAD /openapi.json"}


def test_a_rule_says_how_far_the_call_reaches() -> None:
    """An address with a station or run in it is held against the token; any other says why it need not be."""
    for rule in RULES:
        named = any("{" + name + "}" in rule.call for name in NAMES)
        assert (rule.reach == "named") == named, rule.call


def test_every_right_is_needed_somewhere_and_has_a_reason() -> None:
    """A row that no call asks for would promise nothing."""
    assert {right.name for right in RIGHTS} == {rule.right for rule in RULES} - {None}
    assert all(right.because and right.about for right in RIGHTS)
    assert all(right.of("admin") == "all" for right in RIGHTS)
    assert all(right.of("stranger") == "no" for right in RIGHTS)
    assert set(ABOUT) == set(ROLES)


def test_rules_are_looked_up_as_the_router_would() -> None:
    """First route that fits; a name is anything without a slash; other methods are other calls."""
    rules = Rules(calls_of_all_parts())
    rule, names = rules.of("GET", f"{BASE}/runs/x%2Fy/captures/look-0")
    assert rule is not None
    assert (rule.call, names) == ("GET /runs/{run_id}/captures/{name}", {"run_id": "x%2Fy", "name": "look-0"})
    assert rules.of("PATCH", f"{BASE}/runs") == (None, {})
    assert rules.of("GET", f"{BASE}/runs/") == (None, {})
    assert rules.of("GET", f"{BASE}/runs/a/b") == (None, {})
