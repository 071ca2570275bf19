"""Looks after the room once a second: claims that ran out, things that a check has proved."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from service.engine import Engine
from service.errors import DatabaseAway
from service.room.room import Room

log = logging.getLogger(__name__)

TICK_S = 1.0


class Keeper:
    """A thread of a service. Several services may each have one: what they do is done once all the same."""

    def __init__(self, room: Room, engine: Engine) -> None:
        self._room = room
        self._engine = engine
        self._seen: dict[str, str] = {}
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to look. A second call does nothing."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._keep, name="room", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    def tick(self) -> None:
        """One look; one duty that fails does not keep the others from being done."""
        for duty in (self._end_claims, self._notice_scopes, self._settle_things):
            self._quietly(duty)

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

    def _quietly(self, duty: Callable[[], None]) -> None:
        try:
            duty()
        except DatabaseAway as error:
            log.warning("%s", error)
        except Exception:
            log.exception("a mistake in the room's keeper")

    def _keep(self) -> None:
        while not self._ending.wait(TICK_S):
            self.tick()
