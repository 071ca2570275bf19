"""One shot: idle -> before -> waiting -> after -> idle. Nothing runs by itself.

state    leaves it when                               to
idle     INITiate                                     before
before   the part before the trigger is filled        waiting
waiting  the source fires, or forced                  after
after    the last sample is taken                     idle, or before (continuous)
ABORt leads from each to idle and leaves no record. A source that fires in `before` is not heard.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from simulator.plan import ScopePlan
from simulator.scope.comparator import Comparator
from simulator.scope.errors import ScpiError
from simulator.scope.front_end import Codes
from simulator.scope.inputs import Input
from simulator.scope.settings import Settings
from simulator.scope.status import SWEEPING, WAITING_FOR_TRIGGER

IDLE, BEFORE, WAITING, AFTER = "idle", "before", "waiting", "after"
CONDITIONS = {IDLE: 0, BEFORE: SWEEPING, WAITING: SWEEPING + WAITING_FOR_TRIGGER, AFTER: SWEEPING}
"""OPERation condition of each state."""
SETTLED_S = 20e-6
"""After the last known step of a line this long at most until it can no longer fire."""


@dataclass
class Shot:
    """A finished record: settings as they were, the instant of its trigger, codes once asked for."""

    number: int
    settings: Settings
    trigger_at: float
    codes: dict[int, Codes]


class Acquisition:
    """The digitiser: arms, waits, fills, keeps the last record."""

    def __init__(
        self,
        plan: ScopePlan,
        channels: Sequence[Input],
        settings: Callable[[], Settings],
        on_state: Callable[[str], None],
        seed: int,
    ) -> None:
        self._plan = plan
        self._channels = channels
        self._settings = settings
        self._on_state = on_state
        self._seed = seed
        self.state = IDLE
        self._shots = 0
        self._shot: Shot | None = None
        self._comparator: Comparator | None = None
        self._ready_at = self._searched_to = self._done_at = 0.0
        self._trigger_at = -math.inf
        self._forced_at: float | None = None

    @property
    def busy(self) -> bool:
        return self.state != IDLE

    @property
    def has_record(self) -> bool:
        """Idle, with a complete record."""
        return self.state == IDLE and self._shot is not None

    @property
    def can_be_forced(self) -> bool:
        """A shot is under way that has no trigger yet."""
        return self.state in (BEFORE, WAITING) and self._forced_at is None

    def initiate(self, now: float) -> None:
        """Arms one shot; the record before it is gone."""
        if self.busy:
            raise ScpiError(-213)
        settings = self._settings()
        if settings.sweep.after_s < 0:
            raise ScpiError(-221, "the trigger would lie after the last sample")
        self._shot = None
        self._arm(now)

    def abort(self) -> None:
        """Back to idle at once; no record."""
        if self.busy:
            self._enter(IDLE)

    def forget(self) -> None:
        """The last record is lost."""
        self._shot = None

    def force(self, now: float) -> None:
        """One trigger now, whatever the source: as soon as the part before it is filled."""
        if not self.can_be_forced:
            raise ScpiError(-211)
        self._forced_at = max(now, self._ready_at)

    def trigger_changed(self, now: float) -> None:
        """Trigger settings were changed: from now on the new ones count."""
        if self.state in (BEFORE, WAITING):
            self._searched_to = max(
                now, self._ready_at, self._trigger_at + self._settings().trigger.holdoff_s
            )
            self._comparator = self._make_comparator()

    def advance(self, now: float) -> None:
        """Everything that has happened by now."""
        if self.state == BEFORE and now >= self._ready_at:
            self._enter(WAITING)
        if self.state == WAITING:
            fired_at = self._fired_by(now)
            if fired_at is None:
                return
            self._trigger_at = fired_at
            self._done_at = fired_at + self._settings().sweep.after_s * self._true
            self._enter(AFTER)
        if self.state == AFTER and now >= self._done_at:
            self._finish()
            if self._settings().trigger.continuous:
                self._arm(now)

    def next_event(self, now: float) -> float | None:
        """The next instant at which something may happen, as far as it is known; None: nothing is."""
        if self.state in (BEFORE, AFTER):
            return self._ready_at if self.state == BEFORE else self._done_at
        if self.state == IDLE:
            return None
        source = self._settings().trigger.source
        if self._forced_at is not None or source == "IMM":
            return self._forced_at or self._searched_to
        channel = self._settings().trigger.channel
        if channel is None:
            return None
        last = self._channels[channel - 1].last_step_at(now)
        return last + SETTLED_S if last is not None and last + SETTLED_S > now else None

    def codes(self, channel: int) -> Codes:
        """The last record of that channel; -230 when there is none."""
        shot = self._shot
        if shot is None or not shot.settings.channels[channel - 1].on:
            raise ScpiError(-230, f"no record of channel {channel}")
        if channel not in shot.codes:
            shot.codes[channel] = self._digitise(shot, channel)
        return shot.codes[channel]

    def settings_of_record(self) -> Settings:
        """The settings with which the last record was taken; -230 when there is none."""
        if self._shot is None:
            raise ScpiError(-230)
        return self._shot.settings

    @property
    def _true(self) -> float:
        """True seconds per second of the scope's clock."""
        return 1.0 / (1.0 + 1e-6 * self._plan.clock_ppm)

    def _arm(self, now: float) -> None:
        self._shots += 1
        self._ready_at = now + self._settings().sweep.before_s * self._true
        self._searched_to = max(self._ready_at, self._trigger_at + self._settings().trigger.holdoff_s)
        self._forced_at = None
        self._comparator = self._make_comparator()
        self._enter(BEFORE)

    def _make_comparator(self) -> Comparator | None:
        channel = self._settings().trigger.channel
        if channel is None or self._settings().trigger.type != "EDGE":
            return None  # no line of a serial link ever looks like what other types wait for
        rng = np.random.default_rng([self._seed, 4, self._shots])
        return Comparator(self._channels[channel - 1], self._settings(), rng, self._plan.trigger_noise_v)

    def _fired_by(self, now: float) -> float | None:
        if self._forced_at is not None:
            return self._forced_at if now >= self._forced_at else None
        if self._settings().trigger.source == "IMM":
            return self._searched_to
        if self._comparator is None or now <= self._searched_to:
            return None
        start, self._searched_to = self._searched_to, now
        return self._comparator.search(start, now)

    def _finish(self) -> None:
        self._shot = Shot(self._shots, copy.deepcopy(self._settings()), self._trigger_at, {})
        self._enter(IDLE)

    def _enter(self, state: str) -> None:
        self.state = state
        self._on_state(state)

    def _digitise(self, shot: Shot, channel: int) -> Codes:
        sweep, settings = shot.settings.sweep, shot.settings.channels[channel - 1]
        at = (np.arange(sweep.points, dtype=np.float64) * sweep.interval_s + sweep.first_s) * self._true
        front_end = self._channels[channel - 1]
        rng = np.random.default_rng([self._seed, 3, shot.number, channel])
        shown = front_end.shown(at, shot.trigger_at, settings)
        return front_end.codes(shown, settings, rng, self._plan.bits)
