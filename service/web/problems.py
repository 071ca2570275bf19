"""Every error of the HTTP face as RFC 9457 problem details; one function makes them all."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from drivers.errors import DriverError
from service.errors import (
    INTERNAL,
    OUTCOMES,
    BadQuery,
    BadToken,
    NotAllowed,
    NoToken,
    Outcome,
    ServiceError,
    outcome_of,
    problem_of,
    problem_type,
)

log = logging.getLogger(__name__)

PROBLEM_JSON = "application/problem+json"

HEADERS: Mapping[str, str] = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Of every answer, unless the route has set its own."""


def problem_response(
    status: int,
    detail: str,
    instance: str,
    *,
    headers: Mapping[str, str] | None = None,
    **members: Any,
) -> JSONResponse:
    """`type` is about:blank and `title` the HTTP phrase unless `members` say otherwise (RFC 9457 4.2.1)."""
    # an error of the program is answered outside the guard, which sets these headers on all else
    headers = {**HEADERS, **(headers or {})}
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return JSONResponse(
        {**body, "instance": instance, **members},
        status,
        headers=dict(headers or {}),
        media_type=PROBLEM_JSON,
    )


def known_problems() -> dict[str, tuple[Outcome, str]]:
    """All problem types of our own by name, each with a sentence about it."""
    known = {row.name: (row, (kind.__doc__ or "").splitlines()[0]) for kind, row in OUTCOMES.items()}
    return known | {INTERNAL.name: (INTERNAL, "A mistake in the program; the service's log has the details.")}


def add_problem_handlers(app: FastAPI) -> None:
    """From then on no error leaves the app in another shape."""
    for kind in (ServiceError, DriverError, Exception):
        app.add_exception_handler(kind, own_problem)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _validation)


async def own_problem(request: Request, error: Exception, **members: Any) -> Response:
    """The answer that an error stands for, with further members."""
    outcome = outcome_of(error)
    if outcome is INTERNAL:
        log.error("%s %s: a mistake in the program", request.method, request.url.path, exc_info=error)
    problem = problem_of(error)
    problem.pop("address", None)  # a request names stations only, and so does its answer
    return problem_response(
        outcome.status,
        str(problem.pop("detail")),
        request.url.path,
        headers=_headers(request, error, outcome),
        type=problem_type(outcome.name),
        title=outcome.title,
        **members,
    )


def _headers(request: Request, error: Exception, outcome: Outcome) -> dict[str, str]:
    headers = {}
    if retry_after_s := getattr(error, "retry_after_s", None) or outcome.retry_after_s:
        headers["Retry-After"] = str(retry_after_s)
    challenge = next((words for kind, words in CHALLENGES.items() if isinstance(error, kind)), None)
    if challenge is not None and (outcome.status != 400 or "authorization" in request.headers):
        headers["WWW-Authenticate"] = f'Bearer realm="benchwarden"{challenge}'
    return headers


CHALLENGES: Mapping[type[Exception], str] = {
    NoToken: "",
    BadToken: ', error="invalid_token"',
    NotAllowed: ', error="insufficient_scope"',
    BadQuery: ', error="invalid_request"',
}
"""RFC 6750 3 and 3.1: no error code when nothing was brought along."""


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code < 400:
        return Response(status_code=error.status_code, headers=error.headers)
    path = request.url.path
    words = {
        404: f"nothing is at {path}; /openapi.json lists what there is",
        405: f"{request.method} is not possible at {path}",
        413: "the body is larger than is taken here",
    }
    detail = words.get(error.status_code, str(error.detail))
    headers = dict(error.headers or {})
    if error.status_code == 405:
        headers["Allow"] = ", ".join(sorted(_methods_of(request)))
    return problem_response(error.status_code, detail, path, headers=headers)


def _methods_of(request: Request) -> set[str]:
    """All methods that the address has: the router names those of its first route only."""
    template = request.scope["route"].path if "route" in request.scope else request.url.path
    paths: dict[str, dict[str, object]] = request.app.openapi()["paths"]
    return {m.upper() for path, item in paths.items() if path.endswith(template) for m in item}


async def _validation(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [_fault(e) for e in error.errors()]
    broken = any(e.get("type") == "json_invalid" for e in error.errors())
    detail = "; ".join(f"{fault['where']}: {fault['message']}" for fault in faults[:5])
    return problem_response(400 if broken else 422, detail, request.url.path, errors=faults)


def _fault(error: Mapping[str, Any]) -> dict[str, str]:
    where: Sequence[Any] = error.get("loc", ())
    message = str(error.get("ctx", {}).get("error") or error.get("msg", "")).removeprefix("Value error, ")
    return {"where": ".".join(str(part) for part in where) or "request", "message": message}
