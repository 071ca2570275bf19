"""The station check as a kind of run."""

from __future__ import annotations

from typing import Any

from service.hooks import RunHooks
from service.run_record import Clock, Run, new_run
from service.runs import Work
from service.stations import Station
from service.store import RunStore

KIND = "check"


def check_work(store: RunStore, clock: Clock) -> Work:
    """What the service does for a run of this kind; the request may say `only`."""

    def work(station: Station, run: Run, hooks: RunHooks) -> dict[str, Any]:
        from service.check.check import run_check  # the instrument side: loaded with the first check
        from service.check.knowing import context_for

        context = context_for(station, run.id, store, clock)
        return run_check(station, hooks, context, tuple(run.request.get("only", ())))

    return work


def check_request(only: tuple[str, ...]) -> dict[str, Any]:
    """What the record of a check says about what was asked for. BadInput: there is no such part."""
    from service.check.check import parts_of

    parts_of(only)
    return {"only": list(only)} if only else {}


def command_check(station: Station, only: tuple[str, ...], clock: Clock, **made_by: Any) -> Run:
    """A check that this very process is going to perform."""
    return new_run(KIND, station.name, check_request(only), clock(), origin="command", **made_by)
