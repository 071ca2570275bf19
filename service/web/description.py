"""The description of the interface (OpenAPI 3.1): examples of all that goes in and out, errors, who may.

Models state examples where only they can know; what is left is composed from the schema, with the values of
TELLING for names that mean the same everywhere. tests/service/web/test_description.py holds every example
against its schema.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI

from service.errors import (
    OUTCOMES,
    BadQuery,
    BadToken,
    DatabaseAway,
    NotAllowed,
    Outcome,
    TooFast,
    problem_type,
)
from service.web.checks import document_schemas
from service.web.dependencies import problems
from service.web.models import BASE, Problem
from service.web.problems import PROBLEM_JSON
from service.web.rules import RULES

Schema = Mapping[str, Any]
DEEPEST = 12


def describe(app: FastAPI) -> None:
    """From now on `app.openapi()` has it all."""
    generate = app.openapi
    made: dict[str, Any] = {}

    def openapi() -> dict[str, Any]:
        if not made:
            made.update(_completed(generate()))
        return made

    app.openapi = openapi  # type: ignore[method-assign]


def _completed(document: dict[str, Any]) -> dict[str, Any]:
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    schemas.setdefault("Problem", Problem.model_json_schema())
    schemas.update(document_schemas())
    document["components"]["securitySchemes"] = SECURITY
    rights = {rule.call: rule.right for rule in RULES}
    compose = Composer(schemas)
    for path, item in document["paths"].items():
        for method, call in item.items():
            _complete(call, f"{method.upper()} {path.removeprefix(BASE)}", path, rights, compose)
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    return document


def _complete(
    call: dict[str, Any], name: str, path: str, rights: Mapping[str, str | None], compose: Composer
) -> None:
    """Who may, which errors may come of that, and an example of everything that goes in and out."""
    right = rights[name]
    call["security"] = [{"token": []}, {"session": []}, {}] if right else []
    answers = call["responses"]
    for status in (400, 401, 403, 421, 429, 503) if right else (421,):
        answers.setdefault(str(status), problems(status)[status])
    if "422" in answers:
        answers["422"] = problems(422)[422]
    address = compose.address(path, call.get("parameters", ()))
    for status, answer in answers.items():
        if header := HEADERS.get(status):
            answer.setdefault("headers", {}).setdefault(*header)
        for kind, content in answer.get("content", {}).items():
            if kind == PROBLEM_JSON:
                content["example"] = problem_example(int(status), address)
            elif "example" not in content and "examples" not in content:
                content["example"] = (
                    ANSWERS.get(name) or TEXTS.get(kind) or compose(content.get("schema", {}))
                )
    for content in call.get("requestBody", {}).get("content", {}).values():
        content.setdefault("example", compose(content["schema"]))


def problem_example(status: int, instance: str) -> dict[str, Any]:
    """A problem of that status, in its own words where only one kind has it."""
    outcome = SPEAKING.get(status) or next((o for o in OUTCOMES.values() if o.status == status), None)
    kind = problem_type(outcome.name) if outcome else "about:blank"
    title = outcome.title if outcome else HTTPStatus(status).phrase
    detail = DETAILS.get(status, f"{title}.")
    return {"type": kind, "title": title, "status": status, "detail": detail, "instance": instance}


class Composer:
    """Makes an example that fits a schema."""

    def __init__(self, schemas: Mapping[str, Schema]) -> None:
        self._schemas = schemas

    def __call__(self, schema: Schema, name: str = "", depth: int = 0) -> Any:
        """`name`: of the property, for TELLING. At the deepest a nested thing is left empty."""
        if "$ref" in schema:
            return self(self._schemas[schema["$ref"].rsplit("/", 1)[-1]], name, depth)
        if "examples" in schema:
            return self._whole(schema["examples"][0], schema, depth)
        for known in ("example", "const"):
            if known in schema:
                return schema[known]
        if "enum" in schema:
            return schema["enum"][0]
        if choices := schema.get("anyOf") or schema.get("oneOf"):
            return self._chosen(choices, name, depth)
        if "allOf" in schema:
            return self(schema["allOf"][0], name, depth)
        return self._of_type(schema, name, depth)

    def address(self, path: str, parameters: Any) -> str:
        """The path with the examples of its names."""
        for parameter in parameters:
            if parameter["in"] == "path":
                value = self(parameter["schema"], parameter["name"])
                path = path.replace("{" + parameter["name"] + "}", str(value))
        return path

    def _whole(self, example: Any, schema: Schema, depth: int) -> Any:
        """An example that a model has from the one that it is made from may lack what is new in it."""
        lacks = set(schema.get("required", ())) - set(example) if isinstance(example, dict) else ()
        more = {name: self(schema["properties"][name], name, depth + 1) for name in sorted(lacks)}
        return {**example, **more} if more else example

    def _chosen(self, choices: list[Schema], name: str, depth: int) -> Any:
        """The first that is something; nothing where that says more (`error` of a run that went well)."""
        nullable = any(choice.get("type") == "null" for choice in choices)
        if nullable and name in NOTHING:
            return None
        return self(next(c for c in choices if c.get("type") != "null"), name, depth)

    def _of_type(self, schema: Schema, name: str, depth: int) -> Any:
        kind = schema.get("type")
        if kind == "object":
            if name in TELLING and "properties" not in schema:
                return TELLING[name]
            return {k: self(v, k, depth + 1) for k, v in schema.get("properties", {}).items()}
        if kind == "array":
            return [] if depth > DEEPEST else [self(schema.get("items", {}), name, depth + 1)]
        if name in TELLING and isinstance(TELLING[name], KINDS.get(kind or "", ())):
            return TELLING[name]
        return PLAIN[kind](schema) if kind in PLAIN else {}


def _number(schema: Schema) -> float:
    low = schema.get("minimum", schema.get("exclusiveMinimum", 0))
    return float(max(low, 1)) if schema.get("maximum", 1) >= 1 else float(schema["maximum"])


PLAIN: dict[str, Callable[[Schema], Any]] = {
    "string": lambda schema: "words" if schema.get("maxLength", 5) >= 5 else "w",
    "integer": lambda schema: int(_number(schema)),
    "number": _number,
    "boolean": lambda _schema: True,
    "null": lambda _schema: None,
}

KINDS: dict[str, type] = {"string": str, "number": float}

NOTHING = frozenset(
    {"error", "waiting_for", "revoked_at", "in_use_by", "running", "until", "worker", "claim", "schedule"}
)

TELLING: dict[str, Any] = {
    "id": "20270112-063108-250000-3f9a1c2e",
    "run_id": "20270112-063108-250000-3f9a1c2e",
    "last_run": "20270112-063108-250000-3f9a1c2e",
    "queue": "20270112-063108-250000-3f9a1c2e",
    "owner": "3f9a1c2e",
    "who": "Ada (3f9a1c2e)",
    "station": "north-3",
    "stations": "north-*",
    "name": "north-3",
    "href": "/api/v1/runs/20270112-063108-250000-3f9a1c2e",
    "report": "/api/v1/runs/20270112-063108-250000-3f9a1c2e/report",
    "events": "/api/v1/runs/20270112-063108-250000-3f9a1c2e/events",
    "dialect": "scpi-1999",
    "baud": 230400.0,
    "frame": "8N1",
    "logic": "3.3",
    "host": "bench-pc-3",
    "silent_s": 1.2,
    "limit_s": 60.0,
    "label": "shot 1",
    "plan": "short",
    "payload_hex": "546964652037",
    "zone": "Europe/Berlin",
    "cron": "30 7 * * 1-5",
    "kind": "echo-test",
    "missed": "once",
    "priority": "class-now",
    "source": "http",
    "result": {"schema": 1, "verdict": "pass", "criteria": [], "findings": []},
    "request": {"text": "Tide 7", "payload_hex": "546964652037"},
    **dict.fromkeys(
        ("at", "created_at", "started_at", "finished_at", "since", "next_at", "checked_at", "made_at",
         "valid_until", "state_since", "began_at"),
        "2027-01-12T06:31:08.250Z",
    ),
}  # fmt: skip
"""Values for names that mean the same wherever they stand."""

TEXTS: dict[str, str] = {
    "text/html": "<!doctype html><title>Echo test at north-3</title>",
    "text/csv": "time_s,ch1_v,ch2_v\n0,3.29,3.27\n",
    "text/plain": "$timescale 1ns $end\n",
    "application/octet-stream": "the bytes of the file",
    "application/openmetrics-text": 'benchwarden_queue_length{station="north-3"} 0.0\n# EOF\n',
    "text/event-stream": 'event: state\ndata: {"event": "state", "state": "running"}\nid: 2\n\n',
}

ANSWERS: dict[str, Any] = {
    "GET /healthz": {"status": "ok"},
    "GET /readyz": {"status": "ready", "stations": ["north-1", "north-2", "north-3"]},
    "GET /problems/{name}": {
        "type": "/problems/unknown-station",
        "title": "No such station",
        "status": 404,
        "exit_code": 2,
        "about": "No station of that name; the message names those that there are.",
    },
    "POST /analyses": {
        "schema": 1,
        "verdict": "pass",
        "criteria": [
            {"name": "content", "verdict": "pass", "cause": None, "required": True,
             "because": "6 characters echoed as sent"},
        ],
        "findings": [],
        "lines": {},
        "echoes": [],
        "measurements": [],
    },
}  # fmt: skip
"""Answers whose schema is only that they are an object."""

SPEAKING: dict[int, Outcome] = {
    400: OUTCOMES[BadQuery],
    401: OUTCOMES[BadToken],
    403: OUTCOMES[NotAllowed],
    429: OUTCOMES[TooFast],
    503: OUTCOMES[DatabaseAway],
}

HEADERS: dict[str, tuple[str, Any]] = {
    "401": ("WWW-Authenticate", {"schema": {"type": "string"}, "example": 'Bearer realm="benchwarden"'}),
    "429": ("Retry-After", {"schema": {"type": "integer"}, "example": 3}),
    "503": ("Retry-After", {"schema": {"type": "integer"}, "example": 5}),
}

DETAILS: dict[int, str] = {
    400: "since 'yesterday' is not a time such as 2027-01-12T06:31:08Z",
    401: "this token was revoked at 2027-01-11T18:00:00.000Z",
    403: "a viewer may not do this",
    404: "no station 'north-33'; did you mean north-3?",
    413: "the body is larger than 65536 bytes",
    415: "the body must come as application/json, its Content-Type was text/plain",
    421: "this service is not called 'example.org' but 127.0.0.1, ::1, localhost",
    422: "body.send: exactly one of text, hex and plan is needed, got none",
    429: "more than 1200 requests in a minute; go on in 3 s",
    503: "the database does not answer",
}

SECURITY = {
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "RFC 6750. Not needed on loopback until somebody has made a token.",
    },
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": "benchwarden-session",
        "description": "Of a browser, from POST /api/v1/session or the one-time link.",
    },
}
