"""Tokens: a secret that is told once, kept as a hash, and dead from the moment that it should be."""

from __future__ import annotations

import hashlib
import json

import pytest
import sqlalchemy as sa

from service.access.access import Access, Credentials
from service.access.caller import LOOPBACK
from service.access.tokens import SECRET, SESSION_HOURS
from service.errors import BadInput, BadToken, NotAllowed, NotFound, NoToken
from service.tables import metadata
from tests.service.access.conftest import HandClock


def bearer(secret: str | None, **more: object) -> Credentials:
    return Credentials(**{"bearer": secret, "cookie": None, "address": "127.0.0.1", **more})  # type: ignore[arg-type]


def test_a_token_has_256_random_bits_and_only_its_hash_is_kept(access: Access) -> None:
    """RFC 6750 5.2 wants it unguessable; the database, all of it, holds the SHA-256 and never the secret."""
    token, secret = access.tokens.make("Ada's script", "submitter", by="test")
    other, another = access.tokens.make("Ada's script", "submitter", by="test")
    assert SECRET.fullmatch(secret)
    assert len(secret.removeprefix("bwt_")) * 6 >= 256
    assert (secret, token.id) != (another, other.id)
    with access.database.reading() as connection:
        kept = [
            list(map(str, row)) for t in metadata.sorted_tables for row in connection.execute(sa.select(t))
        ]
    assert secret not in json.dumps(kept)
    assert hashlib.sha256(secret.encode()).hexdigest() in json.dumps(kept)


def test_a_token_opens_the_door_as_what_it_was_made_for(access: Access) -> None:
    """Role, stations and a mark for its runs."""
    token, secret = access.tokens.make("Ada's script", "submitter", stations=["north-*"], by="test")
    caller = access.caller(bearer(secret))
    assert (caller.id, caller.role, caller.owner) == (token.id, "submitter", token.id)
    assert caller.reaches("north-3")
    assert not caller.reaches("south-1")


def test_the_door_stands_open_until_the_first_token_and_never_again(access: Access) -> None:
    """When the last token is revoked nobody gets in, rather than everybody."""
    assert access.caller(bearer(None)) is LOOPBACK
    token, secret = access.tokens.make("boss", "admin", by="test")
    with pytest.raises(NoToken):
        access.caller(bearer(None))
    access.tokens.revoke(token.id)
    assert access.tokens.alive() == []
    for brought in (None, secret):
        with pytest.raises((NoToken, BadToken)):
            Access(access.database).caller(bearer(brought))


def test_a_request_that_a_proxy_passes_on_is_not_from_this_machine(access: Access) -> None:
    """Else a proxy in front of a service without tokens would let the world in."""
    with pytest.raises(NoToken, match="proxy"):
        access.caller(bearer(None, passed_on=True))


def test_a_token_dies_at_its_hour(access: Access, clock: HandClock) -> None:
    """Alive the moment before, dead at it."""
    _, secret = access.tokens.make("guest", "viewer", days=1, by="test")
    clock.turn(days=1, seconds=-1)
    assert access.caller(bearer(secret)).role == "viewer"
    clock.turn(seconds=1)
    with pytest.raises(BadToken, match="expired at 2027-01-13"):
        access.caller(bearer(secret))


def test_a_revoked_token_opens_nothing_and_stays_in_the_list(access: Access) -> None:
    """The next request already meets a shut door; revoking twice keeps the first time."""
    token, secret = access.tokens.make("lost laptop", "operator", by="test")
    first = access.tokens.revoke(token.id)
    assert access.tokens.revoke(token.id) == first
    with pytest.raises(BadToken, match="revoked"):
        access.caller(bearer(secret))
    assert [t.id for t in access.tokens.all()] == [token.id]
    with pytest.raises(NotFound, match="list"):
        access.tokens.revoke("ffffffff")


@pytest.mark.parametrize(
    "secret", ["", "bwt_", "bwt_" + "A" * 43, "x" * 5000, "bwt_é" + "A" * 42, "' OR 1=1 --"]
)
def test_what_is_no_token_opens_nothing(access: Access, secret: str) -> None:
    """And the answer does not repeat it."""
    access.tokens.make("boss", "admin", by="test")
    with pytest.raises(BadToken, match="not known") as caught:
        access.caller(bearer(secret))
    assert not secret or secret not in str(caught.value)


def test_a_session_is_its_tokens_child(access: Access, clock: HandClock) -> None:
    """The same rights and the same runs; it ends by time, and with its token, whichever is first."""
    token, secret = access.tokens.make("Ada", "grader", stations=["north-1"], by="test")
    session, cookie = access.tokens.open_session(token, token.id)
    caller = access.caller(bearer(None, cookie=cookie))
    assert (caller.role, caller.owner, caller.by_cookie) == ("grader", token.id, True)
    for swapped in (bearer(cookie), bearer(None, cookie=secret)):
        with pytest.raises(BadToken):
            access.caller(swapped)
    with pytest.raises(NotAllowed):
        access.tokens.open_session(session, session.id)
    clock.turn(hours=SESSION_HOURS)
    with pytest.raises(BadToken, match="expired"):
        access.caller(bearer(None, cookie=cookie))
    _, cookie = access.tokens.open_session(token, token.id)
    access.tokens.revoke(token.id)
    with pytest.raises(BadToken, match="revoked"):
        access.caller(bearer(None, cookie=cookie))


def test_a_session_never_outlives_its_token(access: Access, clock: HandClock) -> None:
    """A token with an hour left gives a session of an hour; a parent that died ends it in any case."""
    token, _ = access.tokens.make("Ada", "viewer", days=1 / 24, by="test")
    session, cookie = access.tokens.open_session(token, token.id)
    assert session.expires_at == token.expires_at
    clock.turn(hours=1)
    with pytest.raises(BadToken):
        access.caller(bearer(None, cookie=cookie))


@pytest.mark.parametrize(
    ("name", "role", "more", "words"),
    [
        ("", "viewer", {}, "1 to 80"),
        ("a\nb", "viewer", {}, "printable"),
        ("x" * 81, "viewer", {}, "1 to 80"),
        ("Ada", "boss", {}, "viewer, submitter, operator, grader, admin"),
        ("Ada", "viewer", {"stations": []}, "patterns"),
        ("Ada", "admin", {"stations": ["north-1"]}, "all"),
        ("Ada", "viewer", {"days": 0}, "days"),
        ("Ada", "viewer", {"days": float("nan")}, "days"),
        ("bwt_" + "A" * 43, "viewer", {}, "secret"),
    ],
)
def test_a_token_that_makes_no_sense_is_not_made(
    access: Access, name: str, role: str, more: dict[str, object], words: str
) -> None:
    """The reason says what would do; nothing is kept."""
    with pytest.raises(BadInput, match=words):
        access.tokens.make(name, role, by="test", **more)  # type: ignore[arg-type]
    assert access.tokens.all() == []


def test_the_day_of_use_is_noted_once_a_day(access: Access, clock: HandClock) -> None:
    """A question costs no write but the first of a day."""
    _, secret = access.tokens.make("Ada", "viewer", by="test")
    assert access.tokens.all()[0].used_on is None
    access.caller(bearer(secret))
    assert access.tokens.all()[0].used_on == "2027-01-12"
    clock.turn(days=1)
    access.caller(bearer(secret))
    assert access.tokens.all()[0].used_on == "2027-01-13"
