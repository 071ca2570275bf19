"""A dialect is proved on a real scope: opened, gone through line by line, compared, measured, left as found.

Nothing is sent that does not stand in the dialect: all of it goes through the driver's own conversation.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from drivers.errors import DriverError, NotReachable, TimedOut
from drivers.scope import scpi
from drivers.scope.capture import Identity
from drivers.scope.connecting import connect
from drivers.scope.dialect import Dialect
from drivers.scope.dialect_reader import load_dialect
from drivers.scope.settings import extract
from drivers.tape import Tape
from service.commissioning.outcome import DIFFERS, FAILS, WORKS, LineResult, NotTried, Seen, worst
from service.commissioning.setting_lines import try_settings
from service.commissioning.shot_lines import try_shots
from service.commissioning.signal_lines import Reference, Traffic, try_reference, try_traffic
from service.commissioning.speed_lines import try_speed
from service.commissioning.trial import Trial

PATIENCE_TIMEOUTS = 5
"""A forced record may take this many time-outs longer than itself."""


@dataclass(frozen=True)
class Wishes:
    """What is to be commissioned, and with what at hand."""

    resource: str
    dialect: str
    visa_library: str = "@py"
    timeout_s: float = 2.0
    traffic: Traffic | None = None
    reference: Reference | None = None
    skip: Collection[str] = ()


@dataclass(frozen=True)
class Commissioned:
    """What became of every line."""

    wishes: Wishes
    dialect: Dialect
    identity: Identity | None
    """None: it never said who it is."""
    options: str | None
    lines: tuple[LineResult, ...]
    timings: Mapping[str, float]
    """Seconds, round trips, bytes per second, points; by name."""
    taken_at: str
    lost: str = ""
    """Why it ended early: the scope went out of reach."""

    @property
    def outcome(self) -> str:
        """The worst of all lines."""
        return worst(tuple(line.outcome for line in self.lines))


def commission(wishes: Wishes, tell: Callable[[str], None] = lambda _line: None) -> Commissioned:
    """Try every line; the scope is left as it was found, as far as its dialect can.

    Raises:
        RequestError: the dialect file has a fault, or the address is none.
        NotReachable: nothing there answers at all.
    """
    dialect = load_dialect(wishes.dialect)
    tape = Tape()
    start = time.perf_counter()
    taken_at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    try:
        scope = connect(
            wishes.resource,
            wishes.dialect,
            visa_library=wishes.visa_library,
            timeout_s=wishes.timeout_s,
            leave_as_found=True,
            tape=tape,
        )
    except DriverError as error:
        line = _failed_opening(error, dialect, tape, time.perf_counter() - start)
        return Commissioned(wishes, dialect, None, None, (line,), {}, taken_at)
    with scope:
        patience_s = PATIENCE_TIMEOUTS * wishes.timeout_s
        trial = Trial(dialect, scope, tape, wishes.skip, tell, patience_s=patience_s)
        lost = _go_through(trial, wishes)
        options = next((r.says for r in trial.results if r.line == "options" and r.outcome == WORKS), None)
        return Commissioned(
            wishes, dialect, scope.identity, options, tuple(trial.results), trial.numbers, taken_at, lost
        )


def _failed_opening(error: DriverError, dialect: Dialect, tape: Tape, seconds: float) -> LineResult:
    """A scope that answers something is there, and a line of the dialect is wrong; else it is not there."""
    heard = any(turn.answer is not None for turn in tape.exchanges)
    if not heard and isinstance(error, NotReachable):
        if isinstance(error, TimedOut) and tape.exchanges:
            error.args = (f"{error}; is {dialect.identify.query!r} what this scope is asked for its name?",)
        raise error
    names = {dialect.identify.query: "identify"}
    if dialect.errors is not None:
        names[dialect.errors.query] = "errors"
    if dialect.event_status is not None:
        names[dialect.event_status.question.query] = "event_status"
    name = next((names[q] for q in names if q == error.command), None)
    if name is None and not heard:
        raise error
    return LineResult(name or "clear", FAILS, str(error), seconds, tape.since(0)[-6:])


def _go_through(trial: Trial, wishes: Wishes) -> str:
    """Why it ended early; empty when it did not."""
    try:
        _basics(trial)
        try_settings(trial)
        try_shots(trial)
        if wishes.traffic is not None:
            try_traffic(trial, wishes.traffic)
        if wishes.reference is not None:
            try_reference(trial, wishes.reference)
        try_speed(trial)
        trial.line("errors at the end", lambda: _quiet_queue(trial))
        trial.line("left as found", lambda: _left_as_found(trial))
    except NotReachable as error:
        return str(error)
    return ""


# --- lines that are no settings ---------------------------------------------------------------------------


def _basics(trial: Trial) -> None:
    dialect = trial.dialect
    trial.line("identify", lambda: _identify(trial))
    trial.line("errors", lambda: _errors(trial))
    trial.line("event_status", lambda: _event_status(trial))
    trial.line("clear", lambda: _clear(trial))
    trial.line("options", lambda: _options(trial))
    trial.line("self_test", lambda: _self_test(trial))
    trial.line("reset", lambda: _reset(trial))
    if dialect.release is not None:
        release = dialect.release
        trial.line("release", lambda: _told(trial, release.write, release.settle_s))


def _identify(trial: Trial) -> Seen:
    question = trial.dialect.identify
    reply = trial.talk.ask(question.query, timeout_s=question.timeout_s)
    with trial.talk.parsing(question.query):
        who = scpi.parse_identity(extract(reply, question.reply))
    return WORKS, f"{who.maker} {who.model}, serial number {who.serial}, firmware {who.firmware}"


def _errors(trial: Trial) -> Seen:
    if trial.dialect.errors is None:
        raise NotTried(
            "the dialect has no error queue: refusals cannot be seen, only what is read back counts"
        )
    entries = trial.talk.errors()
    if entries:
        return DIFFERS, f"after clearing there was still {scpi.describe_errors(entries)}"
    return WORKS, "the queue is empty, and says so"


def _event_status(trial: Trial) -> Seen:
    """A bit that stays would make every run say that the scope was switched on."""
    about = trial.dialect.event_status
    if about is None:
        raise NotTried("the dialect cannot ask whether the scope was switched off and on")
    question = about.question
    reply = trial.talk.ask(question.query, timeout_s=question.timeout_s)
    with trial.talk.parsing(question.query):
        value = scpi.parse_integer(extract(reply, question.reply))
    if value >> about.bit & 1:
        return FAILS, f"answers {value}: bit {about.bit} is set still, right after it was read"
    first = (
        "set at the first contact: it was switched on since it was asked last"
        if trial.scope.switched_on
        else "clear"
    )
    return WORKS, f"bit {about.bit} was {first}"


def _clear(trial: Trial) -> Seen:
    return _told(trial, trial.dialect.clear.write, trial.dialect.clear.settle_s)


def _told(trial: Trial, units: tuple[str, ...], settle_s: float) -> Seen:
    trial.talk.tell(units, settle_s=settle_s)
    return WORKS, "taken"


def _options(trial: Trial) -> Seen:
    question = trial.dialect.options
    if question is None:
        raise NotTried("the dialect cannot ask for options")
    return WORKS, extract(trial.talk.ask(question.query, timeout_s=question.timeout_s), question.reply)


def _self_test(trial: Trial) -> Seen:
    passed = trial.scope.self_test()
    if passed is None:
        raise NotTried("the dialect has no self-test")
    return (WORKS, "passed") if passed else (FAILS, "the scope says that its self-test failed")


def _reset(trial: Trial) -> Seen:
    if trial.dialect.reset is None:
        raise NotTried("the dialect has no reset")
    trial.scope.reset()
    return WORKS, "taken"


def _quiet_queue(trial: Trial) -> Seen:
    entries = trial.talk.errors()
    if entries:
        return DIFFERS, f"left in the error queue: {scpi.describe_errors(entries)}"
    if trial.dialect.errors is None:
        raise NotTried("the dialect has no error queue")
    return WORKS, "nothing is left in the error queue"


def _left_as_found(trial: Trial) -> Seen:
    left = trial.scope.put_back()
    if not left:
        return WORKS, "every setting that the dialect can ask for is as it was"
    return DIFFERS, "; ".join(f"{one.setting} was {one.asked}, is {one.got}" for one in left)
