"""A station's scope and serial link, opened together: the only file of the service that makes them work.

Everything that is captured is handed to `hooks.keep` before anything is made of it.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import drivers
from drivers.scope.capture import Capture
from drivers.scope.setup import ScopeState, TriggerSetup
from service.hooks import RunHooks
from service.known import known_facts, with_heard
from service.panel import as_document, met_by
from service.planning import LISTEN_LATENCIES, Memory
from service.recording import Taken, TimeBase, Window, setup_for
from service.taking_up import facts_of, more_of, received_of, state_of
from service.too_high import VoltageWatch

if TYPE_CHECKING:
    from drivers.scope.scope import Scope
    from drivers.target.target import Target
    from service.stations import Station

TRIGGER_WAIT_S = 1.5
"""How long after sending a trigger may come: bridges hold characters back for 50 ms, networks longer."""
LINK_PATIENCE_S = 0.1
"""How much longer the link is listened to than a record usually is: bridges hand over late."""
MOST_MORE = 4096
"""Bytes beyond those that were sent: a board that never stops talking cannot hold us."""
POLL_S = 0.002
POLL_LONGEST_S = 0.05
SETTLE_S = 5.0
"""How much longer than its record a forced capture may take before the scope counts as stuck."""


class Bench:
    """An opened station. Use `open_bench`: it leaves the scope idle whatever happens."""

    def __init__(self, station: Station, scope: Scope, target: Target, hooks: RunHooks) -> None:
        self.station = station
        self.hooks = hooks
        self.unanswered = bytearray()
        """What was sent and not heard again over the link: an answer to it may come in a later shot."""
        self.volts = VoltageWatch(station, hooks)
        """Tells at once when a line has more volts than this bench may have."""
        self._scope = scope
        self._target = target

    @property
    def scope(self) -> Scope:
        """For questions (identity, error queue, self-test): what is set and captured goes through shots."""
        return self._scope

    @property
    def memory(self) -> Memory:
        """What the scope can record, as far as it is known."""
        limits, usual = self._scope.limits, Memory()
        return Memory(
            max_points=limits.points_max or usual.max_points,
            min_interval_s=limits.sample_interval_min_s or usual.min_interval_s,
        )

    @property
    def range_max_v(self) -> float:
        """The largest vertical window, volts; infinite when the scope does not say."""
        return self._scope.limits.range_max_v or math.inf

    def triggered(
        self,
        windows: Mapping[str, Window],
        base: TimeBase,
        trigger: TriggerSetup,
        send: bytes,
        label: str,
        *,
        then: bytes = b"",
        finish: Callable[[Taken], tuple[Taken, str]] | None = None,
    ) -> Taken | None:
        """Arm, send, wait, fetch. None when nothing triggered in time: the scope is then stopped.

        `then` is sent after the record is complete and before it is fetched: a single shot does not show it.
        `finish` adds to a fresh capture what is still to be heard, and says what it is kept as, where that
        depends on what it shows.

        Raises:
            DriverError: the instrument or the link failed.
            RunCancelled: somebody asked to stop.
        """
        taken = self.kept(label)
        if taken is None:
            taken = self._shot(self._prepare(windows, base, trigger), base, send, label, then, finish)
        if taken is None:
            self.unanswered += send
            return None
        return self._with_debts(send, taken)

    def repeated(
        self,
        windows: Mapping[str, Window],
        base: TimeBase,
        trigger: TriggerSetup,
        sends: Sequence[bytes],
        label: str,
    ) -> tuple[Taken | None, ...]:
        """One shot for each of `sends`, set up once. Labels are numbered from 1. As `triggered` otherwise."""
        state: ScopeState | None = None
        shots: list[Taken | None] = []
        for number, send in enumerate(sends, start=1):
            shot: Taken | None = self.kept(f"{label} {number}")
            if shot is None:
                state = state or self._prepare(windows, base, trigger)
                shot = self._shot(state, base, send, f"{label} {number}")
            shots.append(shot and self._with_debts(send, shot))
        return tuple(shots)

    def _shot(
        self,
        state: ScopeState,
        base: TimeBase,
        send: bytes,
        label: str,
        then: bytes = b"",
        finish: Callable[[Taken], tuple[Taken, str]] | None = None,
    ) -> Taken | None:
        self._scope.arm()
        self._wait_for_history(base)
        self._target.send(send)
        if not self._finished(base.window_s + self._talking_s(send) + TRIGGER_WAIT_S):
            self._scope.abort()
            return None
        received = self._heard(send)
        if then:
            self._target.send(then)
            self._heard(then)
        taken = Taken(self._fetched(send), received, state)
        if finish is not None:
            taken, label = finish(taken)
        taken = replace(taken, capture=with_heard(taken.capture, taken.received + taken.more))
        self._keep(taken, label)
        return taken

    def forced(
        self, windows: Mapping[str, Window], base: TimeBase, trigger: TriggerSetup, send: bytes, label: str
    ) -> Taken:
        """Start a record at once, send while it fills, fetch it: shows what is there when nothing triggers.

        Raises:
            DriverError: the instrument or the link failed, or even a forced record does not end.
            RunCancelled: somebody asked to stop.
        """
        taken = self.kept(label)
        if taken is None:
            taken = self.glance(windows, base, trigger, send)
            self._keep(taken, label)
        return self._with_debts(send, taken)

    def glance(
        self, windows: Mapping[str, Window], base: TimeBase, trigger: TriggerSetup, send: bytes = b""
    ) -> Taken:
        """The same for the eyes of a person: it is not kept."""
        state = self._prepare(windows, base, trigger)
        limit_s = base.window_s + SETTLE_S
        self._scope.arm()
        self._force(limit_s)
        if send:
            self._target.send(send)
        if not self._finished(limit_s):
            self._scope.abort()
            raise drivers.TimedOut(
                f"{self.station.scope}: a forced record of {base.window_s:.3g} s did not end within "
                f"{limit_s:.3g} s; switch the scope off and on, then try again",
                address=self.station.scope,
                command="force",
            )
        received = self._heard(send) if send else b""
        capture = self._fetched(send)
        self.volts.look(capture)
        return Taken(capture, received, state)

    def over_link(self, send: bytes) -> bytes:
        """What the serial link brings back for `send`; the scope has no part in it."""
        self.hooks.stop_if_cancelled()
        self._target.drain()
        self._target.send(send)
        return self._heard(send)

    def _fetched(self, sent: bytes) -> Capture:
        """The record, with what is known of it."""
        return replace(self._scope.fetch(), known=known_facts(self.station, sent, bytes(self.unanswered)))

    def listen_on(self) -> bytes:
        """What the link still brings after a shot: more than was asked for, or later."""
        return self._target.receive(MOST_MORE, LINK_PATIENCE_S)

    def fires(self, send: bytes) -> bool | None:
        """Arm with whatever is set now, by whomever, send, and say whether that set it off; then stop it.

        None: it never became ready for a trigger, so that nothing can be said.

        Raises:
            DriverError, RunCancelled.
        """
        self._target.drain()
        try:
            self._scope.arm_as_it_is()
        except drivers.TimedOut:
            self._scope.abort()
            return None
        self._target.send(send)
        limit_s = self._talking_s(send) + TRIGGER_WAIT_S
        fired = self._finished(limit_s, lambda: self._scope.is_ready() is False)
        self._scope.abort()
        return fired

    def _force(self, limit_s: float) -> None:
        """A signal may have set it off first: then there is nothing to force, and some scopes complain."""
        try:
            self._scope.force()
        except drivers.InstrumentError:
            if not self._finished(limit_s):
                raise

    def _with_debts(self, send: bytes, taken: Taken) -> Taken:
        """The same with what was unanswered before it; what it leaves unanswered is noted."""
        self.volts.look(taken.capture)
        owed = bytes(self.unanswered)
        self.unanswered += send[len(taken.received) :]
        return replace(taken, owed=owed)

    def kept(self, label: str) -> Taken | None:
        """What this run took under that label before the program died: it is not taken again."""
        self.hooks.stop_if_cancelled()
        if (before := self.hooks.kept(label)) is None:
            return None
        capture, facts = before
        return Taken(capture, received_of(facts), state_of(facts), more=more_of(facts))

    def _prepare(self, windows: Mapping[str, Window], base: TimeBase, trigger: TriggerSetup) -> ScopeState:
        self.hooks.stop_if_cancelled()
        state = self._scope.set_up(setup_for(self.station, windows, base, trigger))
        self._target.drain()
        return state

    def _wait_for_history(self, base: TimeBase) -> None:
        """A scope fires only once the part before the trigger is full: a character sent earlier is lost.

        The status query makes sure that arming has reached the scope before the time counts.
        """
        self._scope.is_done()
        time.sleep(base.before_s)

    def _finished(self, limit_s: float, or_else: Callable[[], bool] = lambda: False) -> bool:
        end = time.monotonic() + limit_s
        pause = POLL_S
        while not (self._scope.is_done() or or_else()):
            self.hooks.stop_if_cancelled()
            if time.monotonic() >= end:
                return False
            time.sleep(pause)
            pause = min(pause * 1.5, POLL_LONGEST_S)
        return True

    @property
    def patience_s(self) -> float:
        """How long after the last character the link is listened to for answers."""
        return self.station.limits.latency_max_s * LISTEN_LATENCIES + LINK_PATIENCE_S

    def _heard(self, sent: bytes) -> bytes:
        """What came back over the link for `sent`, waiting no longer than an answer may take."""
        return self._target.receive(len(sent), self._talking_s(sent) + self.patience_s)

    def _talking_s(self, sent: bytes) -> float:
        return len(sent) * self.station.frame.total_bits / self.station.baud

    def _keep(self, taken: Taken, label: str) -> None:
        self.hooks.note(label, facts_of(taken.received, taken.state, taken.more))
        self.hooks.keep(taken.capture, label)


@contextlib.contextmanager
def open_bench(station: Station, hooks: RunHooks) -> Iterator[Bench]:
    """Both ends of the station. On the way out, whatever happened, the scope is stopped and both are let go.

    Raises:
        DriverError: one of them is not there, or another instrument answers.
    """
    scope = drivers.open_scope(
        station.scope,
        station.dialect,
        expected_idn=station.identity,
        visa_library=station.visa_library,
        leave_as_found=station.leave_as_found,
        note_panel=True,
    )
    try:
        with scope:
            if station.leave_as_found and (owed := hooks.owed()):
                scope.restore(owed)
            hooks.met(met_by(station, scope))
            with drivers.open_target(station.serial, round(station.baud), station.frame) as target:
                yield Bench(station, scope, target, hooks)
    finally:
        left = None if scope.left is None else as_document(scope.left)
        if left is not None or scope.switched_on_again:
            hooks.left(left, scope.switched_on_again)
