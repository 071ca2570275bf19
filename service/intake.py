"""Requests become runs: checked at this door, so that whatever is queued can be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from service.access.caller import Caller
from service.engine import Engine
from service.journal import Journal
from service.plans import Send, payload_of
from service.repeats import Repeats, key_of_header
from service.room.presence import person_here
from service.run_record import Run, new_run
from service.stations import Station, station_named


@dataclass(frozen=True)
class Intake:
    """Makes runs. A request can only name a station, never an instrument's address."""

    stations: Sequence[Station]
    journal: Journal
    repeats: Repeats
    engine: Engine

    def request_echo_test(
        self,
        station: str,
        send: Send,
        key: str | None = None,
        *,
        priority: str | None = None,
        limit_s: float | None = None,
        claim: int | None = None,
        by: Caller | None = None,
    ) -> Run:
        """Queue an echo test; `key` is the raw Idempotency-Key header, `claim` the asker's own on the bench,
        `by` who asks.

        Raises:
            UnknownStation, UnknownPlan, BadPayload, QueueFull, OwnQueueFull, StoreFailed;
            BadQuery, KeyReused, StillWorking because of the key.
        """
        at = station_named(self.stations, station)
        request = echo_request(at, send) | ({} if claim is None else {"claim": claim})
        return self.request("echo-test", at, request, key, by=by, priority=priority, limit_s=limit_s)

    def request(
        self,
        kind: str,
        station: Station,
        request: dict[str, Any],
        key: str | None = None,
        *,
        schedule: str | None = None,
        by: Caller | None = None,
        **wishes: Any,
    ) -> Run:
        """Queue a run of any kind; `wishes` are priority and limit_s, None where nothing was wished.

        Raises as `request_echo_test`.
        """

        owner = by.owner if by else None

        def make(run_id: str | None) -> Run:
            self.engine.require_room(station.name)
            now = self.journal.clock()
            names: dict[str, Any] = {"run_id": run_id, "origin": "service", "schedule": schedule}
            names["owner"] = owner
            run = self.journal.begin(
                new_run(kind, station.name, request, now, **names, **wishes),
                most_waiting=by.may_wait if by else None,
            )
            self.engine.submit(run.id)
            return run

        if key is None:
            return make(None)
        told = {name: wish for name, wish in wishes.items() if wish is not None}
        asked = {"station": station.name, **request, **told}
        return self.repeats.answer(key_of_header(key), asked, make, owner or "")


def echo_request(station: Station, send: Send) -> dict[str, Any]:
    """What the record of an echo test says about what was asked for. UnknownPlan, BadPayload."""
    asked = {name: value for name, value in asdict(send).items() if value is not None}
    return {**asked, "payload_hex": payload_of(send, station.frame).hex()}


def command_run(station: Station, send: Send, journal: Journal) -> Run:
    """A run that this very process is going to `perform`, beside the service and without its queue."""
    asked = echo_request(station, send)
    made_by: dict[str, Any] = {"origin": "command", "owner": person_here()}
    run = new_run("echo-test", station.name, asked, journal.clock(), **made_by)
    return journal.begin(run)
