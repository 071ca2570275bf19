"""Who am I; a session for a browser in exchange for a token; its end."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Request, Response, status
from pydantic import BaseModel, ConfigDict, Field

from service.access.caller import Caller
from service.access.roles import RIGHTS
from service.access.tokens import SESSION_HOURS
from service.errors import IllegalMove, NotAllowed
from service.web.dependencies import Asking, Parts, problems
from service.web.door import COOKIE, credentials_of

router = APIRouter(tags=["access"])

Role = Literal["viewer", "submitter", "operator", "grader", "admin"]


class CallerOut(BaseModel):
    """Who asks, and what they may."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "3f9a1c2e",
                    "name": "Ada's script",
                    "role": "submitter",
                    "stations": ["north-*"],
                    "rights": {"room": "all", "runs": "own", "ask": "all", "steer": "own"},
                }
            ]
        }
    )
    id: Annotated[str, Field(description="As in the audit; loopback while there are no tokens.")]
    name: str
    role: Role
    stations: Annotated[list[str] | None, Field(description="Names or patterns; null: all.")]
    rights: Annotated[dict[str, str], Field(description="all, or own: only runs that this token asked for.")]


@router.get("/session", summary="Who am I", responses=problems())
def show_caller(caller: Asking) -> CallerOut:
    """And what may I do."""
    return _out(caller)


@router.post(
    "/session",
    summary="A session for a browser",
    status_code=status.HTTP_201_CREATED,
    responses=problems(403),
)
def open_session(wiring: Parts, caller: Asking, request: Request, response: Response) -> CallerOut:
    """In exchange for a bearer token: a cookie that scripts in pages cannot read, for 12 hours at most."""
    tokens = wiring.access.tokens
    token = tokens.find(credentials_of(request).bearer or "")
    if caller.owner is None or caller.by_cookie or token is None:
        raise NotAllowed("a session is given for a bearer token; this request came without one")
    session, secret = tokens.open_session(token, token.id)
    give_cookie(response, request, secret)
    return _out(session.caller)


@router.delete(
    "/session",
    summary="End this session",
    status_code=status.HTTP_204_NO_CONTENT,
    responses=problems(403, 409),
)
def end_session(wiring: Parts, caller: Asking) -> Response:
    """The cookie opens nothing any more."""
    if not caller.by_cookie:
        raise IllegalMove("this request is made with no session, so there is none to end; tokens are revoked")
    wiring.access.tokens.revoke(caller.id)
    answer = Response(status_code=status.HTTP_204_NO_CONTENT)
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer


def give_cookie(answer: Response, request: Request, secret: str) -> None:
    """HttpOnly: no script reads it. SameSite=Strict: no other site's page sends it. Secure with TLS."""
    answer.set_cookie(
        COOKIE,
        secret,
        max_age=int(SESSION_HOURS * 3600),
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )


def _out(caller: Caller) -> CallerOut:
    rights = {right.name: right.of(caller.role) for right in RIGHTS}
    values: dict[str, Any] = {name: getattr(caller, name) for name in ("id", "name", "role")}
    return CallerOut(
        **values,
        stations=None if caller.stations is None else list(caller.stations),
        rights={name: reach for name, reach in rights.items() if reach != "no"},
    )
