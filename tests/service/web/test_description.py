"""The interface's description: every call with examples that fit, nothing that the service would not take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import jsonschema
import pytest

from service.web.app import create_app
from service.web.description import Composer, problem_example
from service.web.models import Problem
from tests.service.bench_of_straw import straw_wiring
from tests.service.web.conftest import Client

Call = Mapping[str, Any]


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return create_app(straw_wiring(tmp_path_factory.mktemp("described"))).openapi()


def calls(document: Mapping[str, Any]) -> Iterator[tuple[str, str, Call]]:
    for path, item in document["paths"].items():
        for method, call in item.items():
            yield method.upper(), path, call


def assert_fits(example: Any, schema: Mapping[str, Any], document: Mapping[str, Any], where: str) -> None:
    """By JSON Schema 2020-12, which OpenAPI 3.1 says its schemas are."""
    whole = {**schema, "components": document["components"]}
    faults = list(jsonschema.Draft202012Validator(whole).iter_errors(example))
    assert faults == [], (where, [fault.message for fault in faults], example)


def test_the_document_says_what_it_is(document: dict[str, Any]) -> None:
    """Version 3.1, names, a summary for every call, all its references resolve."""
    assert document["openapi"].startswith("3.1")
    assert document["info"]["title"] == "Benchwarden"
    text = str(document)
    for name in {part.split("'")[0] for part in text.split("#/components/schemas/")[1:]}:
        assert name in document["components"]["schemas"], name
    for method, path, call in calls(document):
        assert call["summary"], (method, path)
        assert call.get("description"), (method, path)


def test_every_request_has_an_example_that_fits_its_schema(document: dict[str, Any]) -> None:
    """Bodies, and the names in addresses."""
    walked = 0
    for method, path, call in calls(document):
        for content in call.get("requestBody", {}).get("content", {}).values():
            assert_fits(content["example"], content["schema"], document, f"{method} {path}")
            walked += 1
        for parameter in call.get("parameters", ()):
            if parameter["required"]:
                example = Composer(document["components"]["schemas"])(parameter["schema"], parameter["name"])
                assert_fits(example, parameter["schema"], document, f"{method} {path} {parameter['name']}")
    assert walked >= 8


def test_every_answer_has_an_example_that_fits_its_schema(document: dict[str, Any]) -> None:
    """Those that went well, and each error."""
    walked = 0
    for method, path, call in calls(document):
        for status, answer in call["responses"].items():
            where = f"{method} {path} {status}"
            assert "content" in answer or status in ("204",), where
            for content in answer.get("content", {}).values():
                assert content["example"] not in (None, {}), where
                assert_fits(content["example"], content.get("schema", {}), document, where)
                walked += 1
    assert walked >= 150


def test_every_call_that_needs_a_token_says_so_and_which_errors_come_of_it(document: dict[str, Any]) -> None:
    """401, 403, 429 and 503 with their headers; only the four open ones have none."""
    without = []
    for method, path, call in calls(document):
        if not call["security"]:
            without.append(f"{method} {path}")
            continue
        assert {"401", "403", "421", "429", "503"} <= set(call["responses"]), path
        assert "Retry-After" in call["responses"]["429"]["headers"]
        assert "WWW-Authenticate" in call["responses"]["401"]["headers"]
    assert sorted(without) == ["GET /enter", "GET /healthz", "GET /problems/{name}", "POST /enter"]


def test_the_examples_of_bodies_are_taken_by_the_service(client: Client, document: dict[str, Any]) -> None:
    """What a newcomer copies from the description is understood."""
    walked = 0
    for method, path, call in calls(document):
        content = call.get("requestBody", {}).get("content", {}).get("application/json")
        if content is None:
            continue
        schemas = Composer(document["components"]["schemas"])
        address = schemas.address(path, call.get("parameters", ())).replace("north-3", "north-1")
        answer = client.request(method, address, json=content["example"], headers={})
        assert answer.status_code not in (400, 415, 422, 500), (method, path, answer.text)
        walked += 1
        if path.endswith("/tokens"):  # from here on one is needed
            client.headers["Authorization"] = f"Bearer {answer.json()['token']}"
    assert walked >= 7


def test_examples_are_composed_for_any_schema() -> None:
    """Also for those of tomorrow: nested, limited, with choices."""
    nested: dict[str, Any] = {
        "type": "object",
        "properties": {
            "a": {"type": "array", "items": {"$ref": "#/components/schemas/B"}},
            "b": {"anyOf": [{"type": "null"}, {"type": "integer", "minimum": 3}]},
            "c": {"enum": ["x", "y"]},
            "d": {"type": "string", "maxLength": 2},
            "e": {"type": "number", "maximum": 0.5},
        },
    }
    other = {"type": "object", "properties": {"yes": {"type": "boolean"}}}
    example = Composer({"B": other})(nested)
    assert example == {"a": [{"yes": True}], "b": 3, "c": "x", "d": "w", "e": 0.5}
    jsonschema.Draft202012Validator({**nested, "components": {"schemas": {"B": other}}}).validate(example)


@pytest.mark.parametrize(
    "status", [400, 401, 403, 404, 405, 409, 413, 415, 421, 422, 429, 500, 502, 503, 504, 507]
)
def test_an_errors_example_is_a_problem_of_that_status(status: int) -> None:
    """RFC 9457, with a type of ours or none."""
    example = problem_example(status, "/api/v1/runs")
    assert Problem(**example).status == status
