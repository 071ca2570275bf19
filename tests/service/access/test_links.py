"""The one-time link: once, for ten minutes, for one of several who try at the same moment."""

from __future__ import annotations

import threading

import pytest

from service.access.access import Access
from service.errors import BadToken, ServiceError
from tests.service.access.conftest import HandClock


def code_of(access: Access) -> str:
    link = access.first_link("http://127.0.0.1:8320")
    assert link is not None
    return link.partition("code=")[2]


def test_the_link_makes_an_admin_once(access: Access) -> None:
    """A session with an end; the use stands in the audit; the door is shut; there is no second link."""
    code = code_of(access)
    token, secret = access.enter(code, "127.0.0.1")
    assert (token.role, token.kind, token.expires_at) == ("admin", "session", "2027-01-12T18:31:08.000Z")
    assert not access.is_open
    assert access.first_link("http://127.0.0.1:8320") is None
    with pytest.raises(BadToken, match="used already"):
        access.enter(code, "127.0.0.1")
    (row,) = access.audit.page(None, 10)[0]
    assert (row.who, row.what, row.address) == (token.id, "one-time link used", "127.0.0.1")
    assert code not in str(row)
    assert secret not in str(row)


def test_the_link_lives_for_ten_minutes(access: Access, clock: HandClock) -> None:
    """Dead at its hour; one that was made later works."""
    code = code_of(access)
    clock.turn(minutes=10)
    with pytest.raises(BadToken, match="10 minutes"):
        access.enter(code, "127.0.0.1")
    assert access.is_open
    code = code_of(access)
    clock.turn(minutes=10, seconds=-1)
    access.enter(code, "127.0.0.1")


def test_a_new_link_takes_the_worth_of_the_old_one(access: Access) -> None:
    """Whoever finds yesterday's terminal has nothing."""
    old = code_of(access)
    new = code_of(access)
    with pytest.raises(BadToken):
        access.enter(old, "127.0.0.1")
    access.enter(new, "127.0.0.1")


def test_of_many_who_use_the_link_at_once_one_gets_in(access: Access) -> None:
    """Eight threads, one code: the database decides."""
    code = code_of(access)
    gate, got = threading.Barrier(8, timeout=20), []

    def use() -> None:
        gate.wait()
        try:
            got.append(access.enter(code, "127.0.0.1")[0].role)
        except ServiceError as error:
            got.append(type(error).__name__)

    threads = [threading.Thread(target=use, daemon=True) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(got) == ["BadToken"] * 7 + ["admin"]
