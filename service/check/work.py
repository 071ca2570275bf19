"""The station check as a kind of run."""

from __future__ import annotations

import contextlib
import dataclasses
from typing import Any

from service.check.asked import Asked, asked_of
from service.check.turns import Turns
from service.hooks import RunHooks
from service.run_record import Clock, Run, new_run
from service.runs import Work
from service.stations import Station
from service.store import RunStore

KIND = "check"


def check_work(store: RunStore, clock: Clock, at_once: int) -> Work:
    """What the service does for a run of this kind; the request may say what `Asked` has.

    `at_once`: so many stations at the same time in this process.
    """

    turns = Turns(at_once)

    def work(station: Station, run: Run, hooks: RunHooks) -> dict[str, Any]:
        from service.check.check import run_check  # the instrument side: loaded with the first check
        from service.check.knowing import context_for

        asked = asked_of(run.request)
        context = dataclasses.replace(context_for(station, run.id, store, clock), asked=asked)
        with contextlib.nullcontext() if asked.with_a_person else turns.one(hooks):
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
