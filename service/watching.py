"""A run that waits for a person and watches the bench meanwhile.

It goes on by itself when a look shows what is waited for, or when somebody says that the step is done. Looks
are shown (in the run's record and as events `look`), never kept. An answer is kept like any other: a run that
is done again after its program died does not wait for the same step twice.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, Protocol

from drivers.errors import DriverError, RequestError
from service.errors import NobodyCame
from service.hooks import Look, RunCancelled
from service.journal import Journal
from service.run_record import Run, moment_of, timestamp
from service.stop_signal import StopSignal

TOLD_EVERY_S = 1.0
"""A reading that trembles is told so often at most; whoever looks at the run sees the last one told."""


class StillWaiting(Exception):
    """The service closes: the run goes on waiting without this process."""


class Person(Protocol):
    """Somebody at the terminal from which the run was started."""

    def shown(self, prompt: Mapping[str, Any]) -> None:
        """A step begins."""

    def looked(self, look: Look) -> None:
        """What the bench shows now."""

    def answer(self, within_s: float) -> Mapping[str, Any] | None:
        """What the person said within that time, else None. RunCancelled: to stop."""

    def done(self, answer: Mapping[str, Any]) -> None:
        """The step is over."""


def watches(run: Run) -> bool:
    """Whether a waiting run has its work look at the bench: it is taken up at once after a restart."""
    return run.waiting_for is not None and bool(run.waiting_for.get("watching"))


class Watch:
    """One step for which a run waits."""

    def __init__(
        self,
        run: Run,
        journal: Journal,
        stop: StopSignal,
        number: int,
        person: Person | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`number`: the how-manieth answer of the run is waited for, from 1."""
        self._run = run
        self._journal = journal
        self._stop = stop
        self._number = number
        self._person = person
        self._clock = clock
        self._told_at = float("-inf")
        self._told = ""

    def wait(
        self, prompt: Mapping[str, Any], limit_s: float, look: Callable[[], Look] | None, every_s: float
    ) -> Mapping[str, Any]:
        """The answer. The run is `waiting` meanwhile and `running` again afterwards.

        Raises:
            RunCancelled, StillWaiting; NobodyCame: nothing was seen and nobody came in time.
            RequestError: a look asks for what the scope cannot have.
        """
        if answer := self._answer():
            return answer
        until = self._until(prompt, limit_s)
        waiting_for = {**prompt, "until": until, "watching": look is not None}
        self._journal.move(self._run.id, "waiting", job=self._run.job, waiting_for=waiting_for)
        if self._person:
            self._person.shown(waiting_for)
        with self._stop.waiting():
            answer = self._watch(until, look, every_s)
        self._journal.move(self._run.id, "running", job=self._run.job)
        if self._person:
            self._person.done(answer)
        return answer

    def _watch(self, until: str, look: Callable[[], Look] | None, every_s: float) -> Mapping[str, Any]:
        end = moment_of(until, "until")
        while True:
            self._stop.news.clear()
            if self._stop.asked():
                raise RunCancelled(self._stop.reason)
            if self._stop.leaving:
                raise StillWaiting
            if answer := self._answer():
                return answer
            if self._journal.clock() >= end:
                raise NobodyCame(f"nobody came by {until}")
            if look is not None and (seen := self._look(look)):
                return self._keep({"by": "bench", **seen})
            if (said := self._pause(every_s)) is not None:
                return self._keep({"by": "person", **said})

    def _look(self, look: Callable[[], Look]) -> Mapping[str, Any] | None:
        """What is kept when it is what was waited for. A scope that is switched over is waited for too."""
        try:
            now = look()
        except RequestError:
            raise
        except DriverError as error:
            now = Look(f"the bench does not answer: {error}")
        if self._person:
            self._person.looked(now)
        if now.seen or (now.text != self._told and self._clock() - self._told_at >= TOLD_EVERY_S):
            self._tell(now)
        return {"text": now.text, "values": dict(now.values)} if now.seen else None

    def _tell(self, look: Look) -> None:
        self._told, self._told_at = look.text, self._clock()
        facts = {"text": look.text, "values": dict(look.values), "seen": look.seen}

        def change(run: Run) -> Mapping[str, Any]:
            if run.waiting_for is None:
                return {}
            return {"waiting_for": {**run.waiting_for, "look": facts}}

        self._journal.store.change(self._run.id, change)
        self._journal.tell(self._run.id, "look", **facts)

    def _pause(self, every_s: float) -> Mapping[str, Any] | None:
        if self._person:
            return self._person.answer(every_s)
        self._stop.news.wait(every_s)
        return None

    def _answer(self) -> Mapping[str, Any] | None:
        """Whoever answers counts the steps too: the answer to this one is the one with its number."""
        answers = self._journal.store.read(self._run.id).answers
        if len(answers) < self._number:
            return None
        answer = answers[self._number - 1]
        return answer if "by" in answer else {"by": "person", **answer}

    def _keep(self, answer: Mapping[str, Any]) -> Mapping[str, Any]:
        """The first answer counts, whoever gave it."""
        at = timestamp(self._journal.clock())

        def change(run: Run) -> Mapping[str, Any]:
            if len(run.answers) >= self._number:
                return {}
            return {"answers": (*run.answers, {**answer, "at": at}), "waiting_for": None}

        self._journal.store.change(self._run.id, change)
        self._journal.tell(self._run.id, "answered", **answer)
        kept = self._answer()
        assert kept is not None
        return kept

    def _until(self, prompt: Mapping[str, Any], limit_s: float) -> str:
        """A run whose program died while it waited for the step waits no longer for it than it would have."""
        before = self._run.waiting_for
        if before is not None and before.get("text") == prompt.get("text") and "until" in before:
            return str(before["until"])
        return timestamp(self._journal.clock() + timedelta(seconds=limit_s))
