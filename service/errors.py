"""Errors of the service. Each leaf stands in the table OUTCOMES at the foot: HTTP status, exit code, name.

ServiceError
├── NotFound              what was named is not there
│   ├── UnknownStation
│   ├── UnknownPlan
│   ├── UnknownRun
│   └── UnknownCapture    also: a report or an answer that the run does not have
├── BadInput              the person or the script can mend it
│   ├── BadSettings       a setting of the service itself
│   ├── BadStationsFile   file, station and key are named
│   ├── BadPayload        what is to be sent
│   ├── BadCaptureFile    a file that was handed in
│   ├── BadQuery          a filter, a cursor, a header
│   └── KeyReused         an Idempotency-Key that stood for something else
├── Denied                who asks may not
│   ├── NoToken           nobody said who it is
│   ├── BadToken          unknown, expired or revoked; a one-time link that opens nothing any more
│   └── NotAllowed        known, and not for this
├── Conflict              right words at the wrong time
│   ├── IllegalMove       a run cannot go from this state to that one
│   ├── Superseded        the run was moved to another worker; this one has no say any more
│   ├── StationTaken      another run of the service is at work on the station
│   ├── StationClaimed    a person is at the bench
│   └── StillWorking      the first request with this Idempotency-Key has not been answered yet
├── Busy                  try later
│   ├── StationBusy       another process holds the station
│   ├── QueueFull
│   │   └── OwnQueueFull  so many runs of this token wait already
│   ├── TooFast           more requests in a minute than one token may make
│   ├── FolderInUse       another service works on this data folder
│   └── WorkerRuns        a worker of that name runs already
├── Interrupted           the program died while the run was at work, more often than is borne
├── TimeIsUp              the run took longer at the bench than it may
├── NobodyCame            the run waited for a person longer than it may
├── DatabaseAway          the database does not answer; what was being done may be tried again
└── StoreFailed           disk full, no permission: what was being written did not come into being
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers import errors as drivers_errors
from service.hooks import RunCancelled


class ServiceError(Exception):
    """Never raised itself. The message is one sentence: what, where, the value, what to do."""


class NotFound(ServiceError):
    """What was named is not there."""


class UnknownStation(NotFound):
    """No station of that name; the message names those that there are."""


class UnknownPlan(NotFound):
    """No plan of that name; the message names those that there are."""


class UnknownRun(NotFound):
    """No run with that id."""


class UnknownCapture(NotFound):
    """The run has no such capture, report or result (yet)."""


class BadInput(ServiceError):
    """The caller can mend it."""


class BadSettings(BadInput):
    """A setting of the service itself is wrong."""


class BadStationsFile(BadInput):
    """The stations file cannot be used; the message names file, station and key."""


class BadPayload(BadInput):
    """What is to be sent cannot be sent."""


class BadCaptureFile(BadInput):
    """A capture file that was handed in cannot be read."""


class BadQuery(BadInput):
    """A filter, cursor or header that cannot be understood."""


class KeyReused(BadInput):
    """The same Idempotency-Key came with another request."""


class Denied(ServiceError):
    """Who asks may not do this."""


class NoToken(Denied):
    """The request does not say who makes it: a token is needed here."""


class BadToken(Denied):
    """The token, session or one-time link opens nothing: unknown, expired, used or revoked."""


class NotAllowed(Denied):
    """The token is a good one, and not for this."""


class Conflict(ServiceError):
    """Right words at the wrong time."""


class IllegalMove(Conflict):
    """A run cannot go from the state it is in to the state that was asked for."""


class Superseded(Conflict):
    """The run was moved to another worker; this one has no say any more."""


class StationTaken(Conflict):
    """Another run of the service is at work on the station; the database refuses a second one."""


class StationClaimed(Conflict):
    """A person is at the bench: nobody else works there until it is given back."""


class StillWorking(Conflict):
    """The first request with this Idempotency-Key has not been answered yet."""


class Busy(ServiceError):
    """Somebody else is at work; try later."""


class StationBusy(Busy):
    """Another process holds the station; the message says which."""


class QueueFull(Busy):
    """So many runs wait for the station already that another one would only mislead."""


class OwnQueueFull(QueueFull):
    """So many runs of this token wait already: those of others must not wait for more of them."""


class TooFast(Busy):
    """More requests in a minute than one token may make."""

    def __init__(self, sentence: str, retry_after_s: int) -> None:
        super().__init__(sentence)
        self.retry_after_s = retry_after_s


class FolderInUse(Busy):
    """Another service works on the same data folder."""


class WorkerRuns(Busy):
    """A worker of that name runs already on this host."""


class Interrupted(ServiceError):
    """The program died while the run was at work, more often than is borne; it is in the run's record."""


class TimeIsUp(ServiceError):
    """The run took longer at the bench than it may; the instrument was left idle."""


class NobodyCame(ServiceError):
    """The run waited for a person longer than it may."""


class DatabaseAway(ServiceError):
    """The database does not answer just now; trying again later may help."""


class StoreFailed(ServiceError):
    """The disk refused; what was being written did not come into being."""


@dataclass(frozen=True)
class Outcome:
    """What the outside sees of an error."""

    status: int
    """HTTP status."""
    exit_code: int
    """contract.md section 2: 2 bad input, 4 not reachable, 5 anything else."""
    name: str
    """Last part of the problem's `type`, and how scripts tell errors apart."""
    title: str
    """The same words for every error of the kind (RFC 9457 3.1.3)."""
    retry_after_s: int | None = None


def outcome_of(error: BaseException) -> Outcome:
    """The row of the nearest class in OUTCOMES; anything unknown is an internal error."""
    for kind in type(error).__mro__:
        if kind in OUTCOMES:
            return OUTCOMES[kind]
    return INTERNAL


def problem_of(error: BaseException) -> dict[str, object]:
    """An error as RFC 9457 members, for a response or for a run's record; internals of a bug are not told."""
    outcome = outcome_of(error)
    detail = str(error)
    if outcome is INTERNAL:
        detail = f"{type(error).__name__} inside the service; its log has the details."
    problem: dict[str, object] = {
        "type": problem_type(outcome.name),
        "title": outcome.title,
        "status": outcome.status,
        "detail": detail,
    }
    address = getattr(error, "address", None)
    return problem | ({"address": address} if address else {})


def problem_type(name: str) -> str:
    """The problem's `type`: a path on the service itself, which explains it there."""
    return f"/problems/{name}"


INTERNAL = Outcome(500, 5, "internal", "The service made a mistake")

OUTCOMES: dict[type[BaseException], Outcome] = {
    UnknownStation: Outcome(404, 2, "unknown-station", "No such station"),
    UnknownPlan: Outcome(404, 2, "unknown-plan", "No such test plan"),
    UnknownRun: Outcome(404, 2, "unknown-run", "No such run"),
    UnknownCapture: Outcome(404, 2, "not-kept", "The run has nothing of that kind"),
    NotFound: Outcome(404, 2, "not-found", "Not found"),
    BadSettings: Outcome(500, 2, "bad-settings", "A setting of the service is wrong"),
    BadStationsFile: Outcome(500, 2, "bad-stations-file", "The stations file cannot be used"),
    BadPayload: Outcome(422, 2, "bad-payload", "This cannot be sent"),
    BadCaptureFile: Outcome(422, 2, "bad-capture-file", "The capture file cannot be read"),
    BadQuery: Outcome(400, 2, "bad-query", "A part of the request cannot be understood"),
    KeyReused: Outcome(422, 2, "key-reused", "The Idempotency-Key stands for another request"),
    BadInput: Outcome(422, 2, "bad-input", "The input cannot be used"),
    NoToken: Outcome(401, 2, "no-token", "A token is needed"),
    BadToken: Outcome(401, 2, "bad-token", "This token opens nothing"),
    NotAllowed: Outcome(403, 2, "not-allowed", "Not with this token"),
    IllegalMove: Outcome(409, 5, "illegal-move", "The run is not in a state for this"),
    Superseded: Outcome(409, 5, "superseded", "The run was moved to another worker"),
    StationTaken: Outcome(409, 5, "station-taken", "Another run is at work on the station", 10),
    StationClaimed: Outcome(409, 5, "station-claimed", "A person is at the bench", 60),
    StillWorking: Outcome(
        409, 5, "still-working", "The first request with this key is still being answered", 1
    ),
    Conflict: Outcome(409, 5, "conflict", "Not now"),
    StationBusy: Outcome(503, 5, "station-busy", "The station is in use", 10),
    QueueFull: Outcome(503, 5, "queue-full", "Too many runs wait for the station", 30),
    OwnQueueFull: Outcome(429, 5, "own-queue-full", "Too many runs of this token wait", 30),
    TooFast: Outcome(429, 5, "too-fast", "Too many requests", 1),
    FolderInUse: Outcome(503, 5, "folder-in-use", "Another service works on this data folder"),
    WorkerRuns: Outcome(503, 5, "worker-runs", "A worker of that name runs already"),
    Busy: Outcome(503, 5, "busy", "Somebody else is at work", 10),
    Interrupted: Outcome(500, 5, "interrupted", "The run was interrupted"),
    TimeIsUp: Outcome(504, 5, "time-is-up", "The run took longer than it may"),
    NobodyCame: Outcome(504, 5, "nobody-came", "The run waited for a person in vain"),
    DatabaseAway: Outcome(503, 5, "database-away", "The database does not answer", 5),
    StoreFailed: Outcome(507, 5, "store-failed", "The disk refused"),
    RunCancelled: Outcome(409, 5, "run-cancelled", "The run was cancelled"),
    drivers_errors.RequestError: Outcome(
        500, 2, "bad-instrument-request", "The instrument was asked wrongly"
    ),
    drivers_errors.TimedOut: Outcome(504, 4, "no-answer", "No answer in time"),
    drivers_errors.NotReachable: Outcome(502, 4, "not-reachable", "Instrument or link not reachable"),
    drivers_errors.ReplyError: Outcome(502, 5, "bad-reply", "The instrument's answer makes no sense"),
    drivers_errors.InstrumentError: Outcome(502, 5, "instrument-refused", "The instrument refused"),
    drivers_errors.IdentityError: Outcome(502, 5, "other-instrument", "Another instrument answers"),
    drivers_errors.DriverError: Outcome(502, 5, "driver-error", "Trouble with the instrument"),
}
