"""The station check as a kind of run."""

from __future__ import annotations

import dataclasses
from typing import Any

from service.check.asked import Asked, asked_of
from service.hooks import RunHooks
from service.run_record import Clock, Run, new_run
from service.runs import Work
from service.stations import Station
from service.store import RunStore

KIND = "check"


def check_work(store: RunStore, clock: Clock) -> Work:
    """What the service does for a run of this kind; the request may say what `Asked` has."""

    def work(station: Station, run: Run, hooks: RunHooks) -> dict[str, Any]:
        from service.check.check import run_check  # the instrument side: loaded with the first check
        from service.check.knowing import context_for

        asked = asked_of(run.request)
        context = dataclasses.replace(context_for(station, run.id, store, clock), asked=asked)
        return run_check(station, hooks, context, asked.only)

    return work


def check_request(asked: Asked) -> dict[str, Any]:
    """What the record of a check says about what was asked for. BadInput: there is no such part."""
    from service.check.check import parts_of

    parts_of(asked.only)
    return asked.as_request()


def command_check(station: Station, asked: Asked, clock: Clock, **made_by: Any) -> Run:
    """A check that this very process is going to perform."""
    return new_run(KIND, station.name, check_request(asked), clock(), origin="command", **made_by)
