"""Routes of the tokens: an admin makes, lists and revokes them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response, status
from pydantic import BaseModel, ConfigDict, Field

from service.access.tokens import LONGEST_NAME, Token
from service.web.dependencies import Asking, Parts, problems
from service.web.models import BASE
from service.web.session import Role

router = APIRouter(tags=["access"])

TokenId = Annotated[str, Path(examples=["3f9a1c2e"])]
MADE: dict[str, Any] = {
    "id": "3f9a1c2e",
    "name": "Ada's script",
    "role": "submitter",
    "stations": ["north-*"],
    "made_at": "2027-01-12T06:31:08.000Z",
    "made_by": "loopback",
    "expires_at": "2027-07-31T06:31:08.000Z",
    "revoked_at": None,
    "used_on": None,
    "state": "alive",
}


class TokenIn(BaseModel):
    """For whom, and for what."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [{"name": "Ada's script", "role": "submitter", "stations": ["north-*"], "days": 200}]
        },
    )
    name: Annotated[str, Field(min_length=1, max_length=LONGEST_NAME)]
    role: Role
    stations: Annotated[
        list[str] | None, Field(min_length=1, max_length=200, description="Names or patterns; null: all.")
    ] = None
    days: Annotated[float | None, Field(gt=0, le=3650, description="null: until it is revoked.")] = None


class TokenOut(BaseModel):
    """What is known of a token; its secret is kept nowhere."""

    model_config = ConfigDict(json_schema_extra={"examples": [MADE]})
    id: str
    name: str
    role: Role
    stations: list[str] | None
    made_at: str
    made_by: Annotated[str, Field(description="Id of the token that made it, loopback, or a command.")]
    expires_at: str | None
    revoked_at: str | None
    used_on: Annotated[str | None, Field(description="The last day on which it was used.")]
    state: Annotated[str, Field(description="alive, or why it opens nothing.")]


class TokenMade(TokenOut):
    """A new token with its secret."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{**MADE, "token": "bwt_..."}]},
    )
    token: Annotated[str, Field(description="Shown this once: write it down.", examples=["bwt_..."])]


@router.get("/tokens", summary="All tokens", responses=problems(403))
def list_tokens(wiring: Parts) -> list[TokenOut]:
    """The oldest first, those that are dead too."""
    return [_out(token, wiring) for token in wiring.access.tokens.all()]


@router.post(
    "/tokens",
    summary="Make a token",
    status_code=status.HTTP_201_CREATED,
    responses=problems(
        *(400, 403, 413, 415, 422),
        known={201: {"headers": {"Location": {"description": "The token.", "schema": {"type": "string"}}}}},
    ),
)
def make_token(body: TokenIn, wiring: Parts, caller: Asking, response: Response) -> TokenMade:
    """The first one shuts the door: from then on every request needs a token. Make an admin's first."""
    token, secret = wiring.access.tokens.make(
        body.name, body.role, stations=body.stations, days=body.days, by=caller.id
    )
    response.headers["Location"] = f"{BASE}/tokens/{token.id}"
    return TokenMade(**_out(token, wiring).model_dump(), token=secret)


@router.delete("/tokens/{token_id}", summary="Revoke a token", responses=problems(403, 404))
def revoke_token(token_id: TokenId, wiring: Parts) -> TokenOut:
    """It opens nothing any more, from the next request on; sessions that were made with it end too."""
    return _out(wiring.access.tokens.revoke(token_id), wiring)


def _out(token: Token, wiring: Parts) -> TokenOut:
    names = set(TokenOut.model_fields) - {"stations", "state"}
    values = {name: getattr(token, name) for name in names}
    stations = None if token.stations is None else list(token.stations)
    return TokenOut(**values, stations=stations, state=token.why_dead(wiring.access.tokens.now) or "alive")
