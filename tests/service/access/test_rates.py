"""Rates: a burst is fine, a flood is not, and the answer says when to come again."""

from __future__ import annotations

import pytest

from service.access import rates
from service.access.rates import Rates


class Seconds:
    """A clock of seconds that tests turn."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_minutes_worth_at_once_and_then_one_by_one() -> None:
    """60 a minute: 60 at once, the next after a second, each after another."""
    clock = Seconds()
    limit = Rates(60, clock)
    assert [limit.wait_s("ada") for _ in range(61)] == [0] * 60 + [1]
    clock.now = 1.0
    assert [limit.wait_s("ada") for _ in range(2)] == [0, 1]
    clock.now = 1000.0
    assert [limit.wait_s("ada") for _ in range(61)] == [0] * 60 + [1]


def test_the_time_that_is_told_is_long_enough() -> None:
    """After exactly that long the request goes through."""
    clock = Seconds()
    limit = Rates(2, clock)
    assert [limit.wait_s("ada") for _ in range(2)] == [0, 0]
    clock.now = 7.5
    wait = limit.wait_s("ada")
    clock.now += wait - 1
    assert limit.wait_s("ada") > 0
    clock.now += 1
    assert limit.wait_s("ada") == 0


def test_one_callers_flood_is_not_anothers() -> None:
    """Each has a bucket of its own."""
    limit = Rates(1, Seconds())
    assert limit.wait_s("ada") == 0
    assert limit.wait_s("ada") > 0
    assert limit.wait_s("grace") == 0


def test_full_buckets_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood from many addresses costs no memory for ever."""
    monkeypatch.setattr(rates, "KEEP", 10)
    clock = Seconds()
    limit = Rates(60, clock)
    for n in range(50):
        clock.now = n * 60.0
        limit.wait_s(f"address {n}")
    assert len(limit._left) <= 12
