"""Looks after the room once a second, and sends what is to be sent in a thread of its own."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from service.engine import Engine
from service.errors import DatabaseAway
from service.room.room import Room

log = logging.getLogger(__name__)

TICK_S = 1.0
CLOSE_S = 5.0
"""A mail server that stalls does not keep a service from ending: what it was sent is sent again later."""


class Keeper:
    """Two threads of a service. Several services may have them: what they do is done once all the same."""

    def __init__(self, room: Room, engine: Engine) -> None:
        self._room = room
        self._engine = engine
        self._seen: dict[str, str] = {}
        self._ending = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to look. A second call does nothing."""
        if self._threads:
            return
        for name, work in (("room", self.tick), ("outbox", self.send)):
            thread = threading.Thread(target=self._keep, args=(work,), name=name, daemon=True)
            thread.start()
            self._threads.append(thread)

    def close(self) -> None:
        """Look no more."""
        self._ending.set()
        for thread in self._threads:
            thread.join(timeout=CLOSE_S)

    def tick(self) -> None:
        """One look; one duty that fails does not keep the others from being done."""
        for duty in (self._end_claims, self._notice_scopes, self._settle_things, self._make_morning):
            quietly(duty)

    def send(self) -> None:
        """What is due in the outbox."""
        quietly(self._room.outbox.work)

    def _end_claims(self) -> None:
        for station in self._room.presence.end_old():
            log.info("the claim on %s ran out", station)
            self._engine.serve_again(station)

    def _notice_scopes(self) -> None:
        for sentence in self._room.inventory.notice_scopes(self._seen):
            log.warning("%s", sentence)

    def _settle_things(self) -> None:
        for item in self._room.inventory.settle():
            log.info("%s is in use again: a check has passed with it", item)

    def _make_morning(self) -> None:
        if (date := self._room.mornings.make_due()) is not None:
            log.info("the summary of %s is ready", date)

    def _keep(self, work: Callable[[], None]) -> None:
        while not self._ending.wait(TICK_S):
            work()


def quietly(duty: Callable[[], object]) -> None:
    """A keeper that ends at its first error keeps nothing."""
    try:
        duty()
    except DatabaseAway as error:
        log.warning("%s", error)
    except Exception:
        log.exception("a mistake in the room's keeper")
