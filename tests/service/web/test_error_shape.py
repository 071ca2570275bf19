"""Every error of the HTTP face has one shape: RFC 9457 problem details (July 2023, section 3)."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from http import HTTPStatus
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from service.errors import OUTCOMES
from service.web.app import JSON_MAX_BYTES, create_app
from service.web.problems import HEADERS
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL, ask, settled

NO_RUN = "20270112-063108-250000-3f9a1c2e"


def assert_problem(response: httpx.Response, status: int, *words: str) -> dict[str, Any]:
    """RFC 9457 3.1: the members, their types, the media type; `status` equals the HTTP status."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert {"type", "title", "status", "detail", "instance"} <= set(body)
    assert body["status"] == status
    if body["type"] == "about:blank":
        # RFC 9457 4.2.1: then the title should be the HTTP phrase
        assert body["title"] == HTTPStatus(status).phrase
    else:
        assert body["type"].startswith("/problems/")
    assert body["instance"].startswith("/")
    for word in words:
        assert word in body["detail"]
    for name in HEADERS:
        assert name in response.headers, name
    return body


def routes_of(app: FastAPI) -> Iterator[tuple[str, str]]:
    """(method, path) of every call in the app's own description."""
    for path, item in app.openapi()["paths"].items():
        for method in item:
            yield method.upper(), path


def wrong_address(path: str) -> str:
    """The path with names that do not exist."""
    for name, value in {
        "station": "east-9",
        "run_id": NO_RUN,
        "number": "0",
        "name": "no-such",
        "item": "P-99",
    }.items():
        path = path.replace("{" + name + "}", value)
    return path


def test_every_call_with_a_name_in_its_address_answers_404_for_an_unknown_one(client: Client) -> None:
    """Walks all routes, those of tomorrow too."""
    walked = 0
    for method, path in routes_of(client.app):  # type: ignore[arg-type]
        if "{" not in path or method == "PUT":  # which makes what is not there
            continue
        call = client.app.openapi()["paths"][path][method.lower()]  # type: ignore[attr-defined]
        body = call.get("requestBody", {}).get("content", {}).get("application/json", {}).get("example")
        assert_problem(client.request(method, wrong_address(path), json=body), 404)
        walked += 1
    assert walked >= 7


def test_every_path_refuses_methods_that_it_does_not_have(client: Client) -> None:
    """405 with an Allow header (RFC 9110 15.5.6)."""
    methods: dict[str, set[str]] = {}
    for method, path in routes_of(client.app):  # type: ignore[arg-type]
        methods.setdefault(path, set()).add(method)
    for path, known in methods.items():
        response = client.request("PATCH", wrong_address(path))
        assert_problem(response, 405, "PATCH")
        assert known <= {word.strip() for word in response.headers["allow"].split(",")}


def test_every_call_that_takes_a_body_refuses_nonsense_in_the_one_shape(client: Client) -> None:
    """Not JSON, wrong shape, wrong media type."""
    walked = 0
    for method, path in routes_of(client.app):  # type: ignore[arg-type]
        if method != "POST":
            continue
        address = wrong_address(path).replace("east-9", "north-1")
        response = client.post(address, content=b"<xml/>", headers={"Content-Type": "text/xml"})
        assert_problem(response, 415, "text/xml")
        walked += 1
    assert walked >= 2


def test_what_is_nowhere_is_a_problem_too(client: Client) -> None:
    """404 outside all routes."""
    assert_problem(client.get("/nowhere"), 404, "/nowhere")
    assert_problem(client.get("/api/v1/stations/"), 404)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({}, "send"),
        ({"send": {}}, "exactly one"),
        ({"send": {"text": "a", "hex": "61"}}, "text and hex"),
        ({"send": {"txt": "a"}}, "txt"),
        ({"send": {"text": 7}}, "text"),
        ({"send": {"text": "a"}, "sned": 1}, "sned"),
        ({"send": {"hex": "4g"}}, "'g'"),
        ({"send": {"hex": "486"}}, "3 digits"),
        ({"send": {"text": ""}}, "empty"),
        ({"send": {"text": "a" * 5000}}, "4096"),
        ([], "object"),
    ],
)
def test_a_body_that_cannot_be_used_is_refused_with_the_place_named(
    client: Client, body: Any, words: str
) -> None:
    """422: the syntax is right, the content is not (RFC 9110 15.5.21)."""
    problem = assert_problem(client.post(URL, json=body), 422)
    assert words in problem["detail"]


def test_a_body_that_is_no_json_is_a_bad_request(client: Client) -> None:
    """400, not 500 and not a dropped connection."""
    response = client.post(URL, content=b'{"send": ', headers={"Content-Type": "application/json"})
    assert_problem(response, 400)


def test_a_body_that_is_too_large_is_refused(client: Client) -> None:
    """413, whether its length was announced or not."""
    large = b'{"send": {"text": "' + b"a" * JSON_MAX_BYTES + b'"}}'
    headers = {"Content-Type": "application/json"}
    assert_problem(client.post(URL, content=large, headers=headers), 413)

    def in_pieces() -> Iterator[bytes]:
        for i in range(0, len(large), 1000):
            yield large[i : i + 1000]

    assert_problem(client.post(URL, content=in_pieces(), headers=headers), 413)


def test_unknown_names_are_told_with_what_there_is(client: Client) -> None:
    """A person can mend it without a manual."""
    near = assert_problem(client.get("/api/v1/stations/north-11"), 404, "did you mean north-1?")
    assert near["type"] == "/problems/unknown-station"
    plan = client.post(URL, json={"send": {"plan": "shrot"}})
    assert assert_problem(plan, 404, "short", "all-values")["type"] == "/problems/unknown-plan"
    assert_problem(client.get("/api/v1/runs/../../etc/passwd"), 404)
    assert_problem(client.get("/api/v1/runs/..%2f..%2fetc"), 404)


def test_filters_that_make_no_sense_are_refused(client: Client) -> None:
    """An empty list would be a wrong answer."""
    assert_problem(client.get("/api/v1/runs?since=yesterday"), 400, "yesterday")
    assert_problem(client.get("/api/v1/runs?state=asleep"), 422, "state")
    assert_problem(client.get("/api/v1/runs?limit=0"), 422, "limit")
    assert_problem(client.get("/api/v1/runs?statoin=north-1"), 422, "statoin")
    assert_problem(client.get(f"/api/v1/runs/{NO_RUN}/captures/x"), 404)


def test_a_mistake_in_the_program_is_a_problem_without_its_inner_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """500 tells nothing of files and lines; the log has them."""
    wiring = straw_wiring(tmp_path)

    def break_down(*_: object) -> None:
        raise ZeroDivisionError("secret of /home/warden")

    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        monkeypatch.setattr(wiring.store, "listing", break_down)
        with caplog.at_level(logging.ERROR):
            problem = assert_problem(client.get("/api/v1/runs"), 500, "ZeroDivisionError")
        assert "secret" not in str(problem)
        assert any("ZeroDivisionError" in str(r.exc_info) for r in caplog.records)
        assert client.get("/healthz").status_code == 200


def test_a_run_that_ends_in_error_carries_the_same_shape(serve_straw: Callable[..., Client]) -> None:
    """The record's `error` has the members of problem details, so one reader reads both."""
    from drivers.errors import NotReachable

    gone = NotReachable(
        "nothing answers at TCPIP::127.0.0.1::20000::SOCKET", address="TCPIP::127.0.0.1::20000"
    )
    client = serve_straw(StrawEchoTest(raises=gone))
    run = settled(client, ask(client))
    assert run["state"] == "error"
    assert {"type", "title", "status", "detail"} <= set(run["error"])
    assert run["error"]["type"] == "/problems/not-reachable"
    assert_problem(client.get(run["href"] + "/report"), 404, "error")


def test_every_problem_type_explains_itself_at_its_own_address(client: Client) -> None:
    """RFC 9457 3.1.1: a `type` that can be opened should lead to words for people."""
    for outcome in OUTCOMES.values():
        page = client.get(f"/problems/{outcome.name}").json()
        assert page["title"] == outcome.title
        assert page["about"].endswith((".", ")"))


def test_the_description_names_only_what_is_there(client: Client) -> None:
    """OpenAPI: version, examples on the calls, the problem's schema resolves, all API routes are in it."""
    document = client.get("/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    assert "Problem" in document["components"]["schemas"]
    post = document["paths"]["/api/v1/stations/{station}/echo-tests"]["post"]
    assert set(post["responses"]) >= {"202", "404", "422"}
    assert document["components"]["schemas"]["EchoTestIn"]["examples"]
    for method, path in routes_of(client.app):  # type: ignore[arg-type]
        answers = document["paths"][path][method.lower()]["responses"]
        errors = {code: answer for code, answer in answers.items() if code >= "400"}
        assert all(list(answer["content"]) == ["application/problem+json"] for answer in errors.values()), (
            path
        )
