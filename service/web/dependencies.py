"""What routes get handed: the wiring, and the description of the errors that they may answer with."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Request

from service.access.caller import Caller
from service.errors import NotFound
from service.web.door import CALLER, RULE
from service.web.models import Problem
from service.web.problems import PROBLEM_JSON
from service.wiring import Wiring


def _wiring(request: Request) -> Wiring:
    wiring: Wiring = request.app.state.wiring
    return wiring


Parts = Annotated[Wiring, Depends(_wiring)]


def require_rule(request: Request) -> None:
    """For every route: the door knew a rule for its address, in this very spelling."""
    if request.scope.get(RULE) is None:
        raise NotFound(f"nothing is at {request.url.path[:80]!r}; see /openapi.json")


def _caller(request: Request) -> Caller:
    caller: Caller = request.scope[CALLER]
    return caller


Asking = Annotated[Caller, Depends(_caller)]
"""Whoever makes the request; the door has let them in."""


def _who(caller: Asking) -> str:
    return caller.words


Who = Annotated[str, Depends(_who)]
"""Who asks, for logs that persons read."""


def problems(
    *statuses: int, known: dict[int | str, dict[str, Any]] | None = None
) -> dict[int | str, dict[str, Any]]:
    """For a route's `responses`: these statuses come as problem details, beside the `known` answers."""
    schema = {"$ref": f"#/components/schemas/{Problem.__name__}"}
    return (known or {}) | {
        code: {"description": "Problem details (RFC 9457)", "content": {PROBLEM_JSON: {"schema": schema}}}
        for code in statuses
    }
