"""A run as a record, and the one table that says which state may follow which."""

from __future__ import annotations

import dataclasses
import os
import re
import secrets
import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from service.errors import BadQuery, IllegalMove

Clock = Callable[[], datetime]

RUN_ID = re.compile(r"\d{8}-\d{6}-\d{6}-[0-9a-f]{8}")

MOVES: dict[str, tuple[str, ...]] = {
    "queued": ("running", "cancelled", "error"),
    "running": ("waiting", "queued", "done", "cancelled", "error"),
    "waiting": ("running", "queued", "cancelled", "error"),
    "done": (),
    "cancelled": (),
    "error": (),
}
SETTLED = tuple(state for state, following in MOVES.items() if not following)
KINDS = ("echo-test", "check", "grading")
NAMES = "names"
"""How the setting keep_days calls the names of persons; no kind of run is called so."""
PRIORITIES = ("class-now", "grading", "check")
"""First served first. class-now: a person in the room waits. In one class first come, first served."""
USUAL_PRIORITY = {"echo-test": "class-now", "check": "check", "grading": "grading"}
AT_WORK = ("running", "waiting")
"""States in which the station belongs to the run."""
VERDICTS = ("pass", "fail", "inconclusive")
JUDGED_LABELS = ("shot ", "forced shot ")
"""How echo_test.py labels the captures that carry the payload; others were taken to find the levels."""


@dataclass(frozen=True)
class Run:
    """One piece of work on one station. Times are UTC, RFC 3339 with Z."""

    id: str
    kind: str
    station: str
    request: Mapping[str, Any]
    """What was asked for: `payload_hex`, and `plan` or `text` where that was the way it was said."""
    created_at: str
    state: str = "queued"
    verdict: str | None = None
    error: Mapping[str, Any] | None = None
    """RFC 9457 members, when the state is `error`."""
    started_at: str | None = None
    finished_at: str | None = None
    captures: tuple[str, ...] = ()
    """Labels of the captures that were kept, in the order in which they were taken; see `named_captures`."""
    origin: str = "service"
    """"service": a worker does the run; "command": the process that made it does."""
    process: Mapping[str, Any] = field(default_factory=dict)
    """Host and process id of whoever made it."""
    priority: str = "class-now"
    limit_s: float | None = None
    """How long it may be at the bench, seconds; waiting for a person does not count."""
    job: int = 1
    """Which of its jobs may do it: when a run is moved to another worker, its old job may not."""
    worker: str | None = None
    """Who does it or did it."""
    stop_reason: str | None = None
    """Somebody asked it to stop."""
    waiting_for: Mapping[str, Any] | None = None
    """What a person is to do: `prompt`, and `until` when the run gives up waiting."""
    answers: tuple[Mapping[str, Any], ...] = ()
    """What persons did, in the order in which they were asked."""
    schedule: str | None = None
    """The schedule that made it."""
    kept_for: str | None = None
    """Why nothing of it may be thrown away, e.g. the grade that rests on it."""
    report: bool = False
    """Whether it has a report."""
    owner: str | None = None
    """Id of the token that asked for it; None: nobody with a token did."""
    sequence: int = 0
    """Rises with every run that is asked for; the store gives it."""

    @property
    def settled(self) -> bool:
        """Nothing will change any more."""
        return self.state in SETTLED

    @property
    def payload(self) -> bytes:
        """What an echo test sends."""
        return bytes.fromhex(self.request["payload_hex"])

    def moved(self, state: str, **changes: Any) -> Run:
        """The run in its next state.

        Raises:
            IllegalMove: the table does not allow it.
        """
        if state not in MOVES[self.state]:
            allowed = ", ".join(MOVES[self.state]) or "nothing, it is settled"
            raise IllegalMove(f"run {self.id} is {self.state} and cannot become {state}; allowed: {allowed}")
        return dataclasses.replace(self, state=state, **changes)


@dataclass(frozen=True)
class NamedCapture:
    """A capture as it is asked for: "0" is shot 0 of the result, "look-0" the first look before it."""

    name: str
    label: str
    position: int
    """In the order in which the captures were taken."""

    @property
    def shot(self) -> int | None:
        """`shot` of the result document; None when the capture was not judged."""
        return int(self.name) if self.name.isdigit() else None


def named_captures(labels: Sequence[str]) -> tuple[NamedCapture, ...]:
    """The shots in their order, then the looks in theirs."""
    judged = [n for n, label in enumerate(labels) if label.startswith(JUDGED_LABELS)]
    looks = [n for n, label in enumerate(labels) if not label.startswith(JUDGED_LABELS)]
    return tuple(
        NamedCapture(f"{prefix}{i}", labels[n], n)
        for prefix, some in (("", judged), ("look-", looks))
        for i, n in enumerate(some)
    )


def new_run(
    kind: str,
    station: str,
    request: Mapping[str, Any],
    now: datetime,
    *,
    run_id: str | None = None,
    origin: str,
    priority: str | None = None,
    limit_s: float | None = None,
    schedule: str | None = None,
    owner: str | None = None,
) -> Run:
    """A queued run of this process; without `priority` its kind has one."""
    return Run(
        id=run_id or new_id(now),
        kind=kind,
        station=station,
        request=request,
        created_at=timestamp(now),
        origin=origin,
        process={"host": socket.gethostname(), "pid": os.getpid()},
        priority=priority or USUAL_PRIORITY[kind],
        limit_s=limit_s,
        schedule=schedule,
        owner=owner,
    )


def new_id(now: datetime) -> str:
    """Sorts by time (UTC, microseconds); random at the end, so that ids of two processes never meet."""
    return f"{now.astimezone(UTC):%Y%m%d-%H%M%S-%f}-{secrets.token_hex(4)}"


def utc_now() -> datetime:
    """The clock of production."""
    return datetime.now(UTC)


def timestamp(moment: datetime) -> str:
    """RFC 3339 with Z, milliseconds."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def moment_of(text: str, what: str) -> datetime:
    """An RFC 3339 time, e.g. "2027-01-12T06:31:08Z"; a date alone means its midnight in UTC.

    Raises:
        BadQuery: it is none.
    """
    try:
        # "+" of an offset arrives as a space where a caller forgot to encode it
        moment = datetime.fromisoformat(text.strip().replace(" ", "+") if "T" in text else text.strip())
    except ValueError:
        raise BadQuery(f"{what} {text!r} is not a time such as 2027-01-12T06:31:08Z") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
