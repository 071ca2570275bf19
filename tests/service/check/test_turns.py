"""Stations are checked side by side, but a host has only so much to compute with."""

from __future__ import annotations

import threading

import pytest

from service.check.turns import Turns
from service.hooks import RunCancelled, RunHooks


def test_so_many_stations_are_checked_at_the_same_time_and_never_more() -> None:
    """Two of eight at once: both really are inside together, and nobody ever finds three."""
    turns, lock = Turns(2), threading.Lock()
    pair = threading.Barrier(2)
    inside, most, done = 0, 0, 0

    def check() -> None:
        nonlocal inside, most, done
        with turns.one(RunHooks()):
            with lock:
                inside += 1
                most = max(most, inside)
            with_another(pair)
            with lock:
                inside -= 1
                done += 1

    threads = [threading.Thread(target=check) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert (done, most, inside) == (8, 2, 0)


def with_another(pair: threading.Barrier) -> None:
    """Only two that are inside together get past it."""
    pair.wait(timeout=20)


def test_a_check_that_waits_says_so_and_can_be_cancelled() -> None:
    """Its station is not touched; the turn that it waited for is not lost."""
    turns, told = Turns(1), []
    asked = iter([False, False, True])

    def progress(step: str, words: str, _fraction: float) -> None:
        told.append((step, words))

    with turns.one(RunHooks()):
        waiting = RunHooks(progress=progress, cancelled=lambda: next(asked))
        with pytest.raises(RunCancelled), turns.one(waiting):
            pytest.fail("it was not its turn")
    assert told == [("wait", "other stations are being checked on this host: waiting for a turn")]
    with turns.one(RunHooks()):
        pass


def test_a_check_that_fails_gives_its_turn_back() -> None:
    """Else a host would check fewer and fewer."""
    turns = Turns(1)
    for _ in range(3):
        with pytest.raises(ValueError, match="bench"), turns.one(RunHooks()):
            raise ValueError("bench")
