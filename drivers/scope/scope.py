"""A scope: identify, set up, arm, wait, fetch. What is said to it comes from its dialect and from nowhere
else.

Rules that hold in every method:
- What counts is what the scope made of a setting, not what was asked: everything is read back.
- After each group of commands the error queue is drained; a complaint is an error that carries the entries.
- The input is kept at 1 megohm, and this is read back too: logic levels can destroy a 50 ohm input.
- A wait is a row of short questions, never one long read.
- Whoever leaves the scope armed stops it: on closing, and at the first contact after somebody was killed.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from types import TracebackType

from drivers.errors import DriverError, InstrumentError, RequestError, TimedOut
from drivers.scope import scpi
from drivers.scope.as_found import Found
from drivers.scope.capture import Capture, Identity
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Action, Dialect, Poll, Question
from drivers.scope.fetching import fetch_capture
from drivers.scope.found_panel import FoundPanel
from drivers.scope.limits import limits_of
from drivers.scope.panel import Panel
from drivers.scope.panel_memory import PanelMemory
from drivers.scope.polling import POLL_LONGEST_S, POLL_S, holds
from drivers.scope.settings import extract
from drivers.scope.setup import Difference, ScopeLimits, ScopeSetup, ScopeState
from drivers.seam import Link

LOG = logging.getLogger(__name__)

TRIGGER_IGNORED = -211
"""SCPI-1999 vol. 2, 21.8.10: a trigger came when none was waited for."""
READY_S = 2.0
"""How long a scope may take from being armed to being ready for the trigger, beside its record's own
history."""


class Scope:
    """One scope; a context manager. Its methods may be called from any thread: they wait for each other."""

    def __init__(
        self,
        dialect: Dialect,
        conversation: Conversation,
        *,
        pause: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        found: tuple[Found, ...] = (),
        give_back: bool = True,
        note_panel: bool = False,
    ) -> None:
        self.dialect = dialect
        self._talk = conversation
        self._panel = Panel(dialect, conversation)
        self._pause = pause
        self._clock = clock
        self._now = now
        self._state: ScopeState | None = None
        self._limits: ScopeLimits | None = None
        self._armed = False
        self._forced = False
        self._finished_at: str | None = None
        self._memory = PanelMemory(dialect, conversation, found, bool(found and give_back), note_panel)

    def __enter__(self) -> Scope:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None and (issubclass(kind, DriverError) or not issubclass(kind, Exception)):
            self._memory.notes = False  # out of reach or out of step, or somebody wants to get away
        self.close()

    # --- who it is and what it can do -----------------------------------------------------------------------

    @property
    def address(self) -> str:
        return self._link.address

    @property
    def identity(self) -> Identity:
        """As it answered when it was opened."""
        assert self._talk.identity is not None  # greeting it is part of opening it
        return self._talk.identity

    @property
    def state(self) -> ScopeState | None:
        """What the last set-up made of the scope; None before the first."""
        return self._state

    @property
    def limits(self) -> ScopeLimits:
        """What this scope can do, asked once. What its dialect cannot ask for is None."""
        with self._link.lock:
            if self._limits is None:
                self._limits = limits_of(self.dialect, self._talk)
            return self._limits

    @property
    def found(self) -> FoundPanel | None:
        """The front panel as it was at opening with `leave_as_found` or `note_panel`; None without."""
        return self._memory.panel_found

    @property
    def found_said(self) -> dict[str, str | None]:
        """The same in the scope's own words, by name of the setting: for `restore` in another process."""
        return self._memory.said

    @property
    def left(self) -> FoundPanel | None:
        """The front panel as it was left on closing with `note_panel`; None before, without, or when closing
        came after an error."""
        return self._memory.panel_left

    @property
    def switched_on(self) -> bool | None:
        """Whether it was switched on since it was opened last, by whomever: then it has forgotten what it was
        set to. None: the dialect cannot ask."""
        return self._talk.switched_on

    @property
    def switched_on_again(self) -> bool:
        """Whether it was switched off and on while it was open, as far as the link was opened anew since."""
        return self._talk.switched_on_again

    @property
    def conversation(self) -> Conversation:
        """What the scope is spoken to through: for whoever tries a dialect line by line."""
        return self._talk

    def errors(self) -> tuple[tuple[int, str], ...]:
        """What stands in its error queue, oldest first; empty afterwards."""
        with self._link.lock:
            return self._talk.errors()

    def self_test(self) -> bool | None:
        """True: passed. None: the dialect has no self-test. It may take half a minute."""
        question = self.dialect.self_test
        if (said := self._said(question)) is None or question is None:
            return None
        with self._talk.parsing(question.query):
            return scpi.parse_integer(said) == 0

    def options(self) -> str | None:
        """What is built in, in the scope's own words. None: the dialect cannot ask."""
        return self._said(self.dialect.options)

    def reset(self) -> None:
        """Factory settings, if the dialect knows how."""
        if self.dialect.reset is not None:
            with self._link.lock:
                self._do(self.dialect.reset)
                self._state, self._armed = None, False

    # --- one shot ------------------------------------------------------------------------------------------

    def set_up(self, setup: ScopeSetup) -> ScopeState:
        """Set everything for one shot and read all of it back. Stops a shot that is under way.

        Raises:
            RequestError: the dialect has no such channel, word or value.
            InstrumentError: the scope complained, or an input would not go to 1 megohm.
        """
        with self._link.lock:
            if self._armed:
                self.abort()
            self._state = self._panel.set_up(setup)
            return self._state

    def arm(self) -> None:
        """Arm one shot, and wait until the scope is ready for its trigger where the dialect can tell."""
        with self._link.lock:
            if self._state is None:
                raise RequestError("the scope must be set up before it is armed", address=self.address)
            self.arm_as_it_is(-min(self._state.start_s, 0.0) + READY_S)

    def arm_as_it_is(self, ready_limit_s: float = READY_S) -> None:
        """The same with whatever is set now, by whomever: to see whether that fires."""
        with self._link.lock:
            self._forced, self._finished_at = False, None
            self._armed = True  # from here on it may be, whatever the next line meets
            self._do(self.dialect.arm)
            if self.dialect.ready is not None:
                self._wait_ready(self.dialect.ready, ready_limit_s)

    def is_ready(self) -> bool | None:
        """Whether it waits for its trigger; None when the dialect cannot tell."""
        with self._link.lock:
            return None if self.dialect.ready is None else holds(self._talk, self.dialect.ready)

    def is_done(self) -> bool:
        """Whether the armed shot is complete. Once true it stays so until the next `arm`."""
        with self._link.lock:
            if self._finished_at is None and holds(self._talk, self.dialect.done):
                self._finished_at = self._now().strftime("%Y-%m-%dT%H:%M:%S.%fZ")
                self._armed = False
            return self._finished_at is not None

    def wait(self, deadline_s: float, poll_s: float = POLL_S) -> bool:
        """Ask until the shot is complete; False when it is not within `deadline_s` seconds.

        The pauses between the questions start at `poll_s` and grow.
        """
        end = self._clock() + deadline_s
        pause = poll_s
        while not self.is_done():
            if self._clock() >= end:
                return False
            self._pause(min(pause, max(end - self._clock(), 0.0)))
            pause = min(pause * 1.5, max(POLL_LONGEST_S, poll_s))
        return True

    def force(self) -> None:
        """Trigger the armed shot now, whatever the signal does. One that has fired by itself meanwhile is
        left alone."""
        if self.dialect.force is None:
            raise RequestError(
                f"dialect {self.dialect.name} has no way to force a trigger", address=self.address
            )
        with self._link.lock:
            self._forced = True
            try:
                self._do(self.dialect.force)
            except InstrumentError as error:
                if {number for number, _ in error.entries} != {TRIGGER_IGNORED}:
                    raise
                self._forced = False

    def abort(self) -> None:
        """Stop a shot that is armed or under way. Harmless when there is none."""
        with self._link.lock:
            self._do(self.dialect.abort)
            self._armed = False

    def fetch(self) -> Capture:
        """The record of the last shot, every channel that is on.

        Raises:
            RequestError: nothing was set up, or the shot is not complete.
            InstrumentError: the scope refuses, or somebody changed its settings since it was set up.
            ReplyError, TimedOut, NotReachable.
        """
        with self._link.lock:
            state = self._state
            if state is None or not self.is_done():
                raise RequestError("there is no complete record to fetch", address=self.address)
            assert self._finished_at is not None
            capture = fetch_capture(
                self.dialect, self._talk, state, taken_at=self._finished_at, fired=not self._forced
            )
            self._panel.must_still_be(state)
            return capture

    def put_back(self, keep: Callable[[str], bool] = lambda _name: False) -> tuple[Difference, ...]:
        """Bring back every setting that was found at opening with `leave_as_found`; what could not be.

        `keep`: names of settings ("trigger level", "ch1 range") that stay as they are now.
        Over a kill of this process nothing is kept: see `found_said` and `restore`. Raises NotReachable.
        """
        with self._link.lock:
            if self._armed:
                self.abort()
            if self._state is not None:
                self._panel.make_inputs_safe(self._state)
            self._state = None
            return self._memory.put_back(keep)

    def restore(self, said: Mapping[str, str | None]) -> None:
        """Bring back what another opening had found (`found_said`) and could not: its process died. That is
        what was found from now on."""
        with self._link.lock:
            self._memory.restore(said)

    def close(self) -> None:
        """Stop the scope if it may be armed, put back what was found, and end the session. Never raises."""
        with self._link.lock:
            if self._armed:
                with contextlib.suppress(DriverError):  # out of reach: the next contact begins with a stop
                    self.abort()
            if self._state is not None:
                with contextlib.suppress(DriverError):  # out of reach: the next set-up says it again
                    self._panel.make_inputs_safe(self._state)
            self._leave()
            self._link.close()

    def _leave(self) -> None:
        """The scope as it was found, its front panel in the hands of whoever stands before it."""
        try:
            left = self.put_back() if self._memory.owes else ()
            self._memory.note()
            if self.dialect.release is not None:
                self._do(self.dialect.release)
        except DriverError as error:
            if self._memory.owes:
                LOG.warning("%s could not be left as it was found: %s", self.address, error)
        else:
            for one in left:
                LOG.warning("%s: %s was %s and is left at %s", self.address, one.setting, one.asked, one.got)

    # --- inside --------------------------------------------------------------------------------------------

    @property
    def _link(self) -> Link:
        return self._talk.link

    def _said(self, question: Question | None) -> str | None:
        if question is None:
            return None
        with self._link.lock:
            return extract(self._talk.ask(question.query, timeout_s=question.timeout_s), question.reply)

    def _do(self, action: Action) -> None:
        self._talk.tell(action.write, settle_s=action.settle_s)

    def _wait_ready(self, ready: Poll, limit_s: float) -> None:
        end = self._clock() + limit_s
        while not (holds(self._talk, ready) or self.is_done()):
            if self._clock() >= end:
                raise TimedOut(
                    f"{self.address}: armed, but not ready for its trigger within {limit_s:.3g} s",
                    address=self.address,
                    command=ready.query,
                )
            self._pause(POLL_S)
