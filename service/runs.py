"""One run from its request to its stored report: what the service's engine and `benchwarden echo` both do.

A run whose program died is performed again by the next one: captures that were kept are not taken again, a
result that was kept is not judged again, and the end is recorded once.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from drivers.errors import DriverError
from drivers.scope.capture import Capture
from service.errors import ServiceError, StationBusy, StationClaimed, StationTaken, Superseded, problem_of
from service.hooks import Look, Met, NeedsPerson, RunCancelled, RunHooks, Since
from service.journal import Journal
from service.locks import StationLocks
from service.logs import about
from service.pipeline.trace import Shot
from service.report.meta import ReportMeta, instrument_facts, settings_facts, software_versions
from service.run_record import JUDGED_LABELS, Run, timestamp
from service.shots import shot_of
from service.stations import Station
from service.stop_signal import StopSignal as StopSignal
from service.store import KeptCapture
from service.watching import Person, StillWaiting, Watch

log = logging.getLogger(__name__)

EchoTest = Callable[[Station, bytes, RunHooks], dict[str, Any]]
Work = Callable[[Station, Run, RunHooks], dict[str, Any]]
"""What is done at the bench for one kind of run; gives the result document, with its `verdict` if any."""
PERSON_ASKED_EVERY_S = 0.5
REPORTED = ("echo-test",)
"""Kinds whose report is drawn from their captures here."""
ReadCapture = Callable[[Path], Capture]
RenderReport = Callable[[Mapping[str, Any], Sequence[Shot], ReportMeta], str]
PackCapture = Callable[[Capture], bytes]
Progress = Callable[[str, str, float], None]


@dataclass(frozen=True)
class Tools:
    """What a run works with; wiring.py chooses."""

    journal: Journal
    locks: StationLocks
    work: Mapping[str, Work]
    """By kind of run."""
    render_report: RenderReport
    pack_capture: PackCapture
    read_capture: ReadCapture


@dataclass(frozen=True)
class Performed:
    """How a run ended: `document` when it was judged, `error` when something went wrong.

    Neither when it waits for a person: `run.waiting_for` says for what.
    """

    run: Run
    document: dict[str, Any] | None = None
    error: BaseException | None = None


def _quiet(_step: str, _message: str, _fraction: float) -> None:
    return None


def perform(
    run: Run,
    station: Station,
    tools: Tools,
    *,
    stop: StopSignal | None = None,
    progress: Progress = _quiet,
    person: Person | None = None,
) -> Performed:
    """Take the station, test, keep everything, and settle the run whatever happens.

    Errors of instruments, links and ours end in the run's record and in the answer, not as exceptions.
    `person`: somebody at this process's terminal, who is shown the steps and may answer them.

    Raises:
        StoreFailed, DatabaseAway: not even the end could be recorded.
        Superseded: the run was moved to another worker meanwhile.
        StationTaken: another run of the service is at work on the station.
        StationClaimed: a person is at the bench; a run of the service stays in its queue.
        StationBusy: a run of the service waited for the station, and stays in its queue: the service closes.
    """
    stop = stop or StopSignal()
    with about(run.id, station.name):
        return _settled(run, station, tools, stop, _Hooks(run, tools, stop, progress, person))


def _settled(run: Run, station: Station, tools: Tools, stop: StopSignal, hooks: _Hooks) -> Performed:
    try:
        return _work(run, station, tools, hooks)
    except (Superseded, StationTaken):
        raise
    except StationClaimed as error:
        if run.origin == "service":
            raise
        return _end(run, tools, "error", error)
    except StillWaiting:
        return Performed(tools.journal.store.read(run.id))
    except NeedsPerson as need:
        return _wait(run, tools, need)
    except RunCancelled as error:
        return _stopped(run, tools, stop, error)
    except StationBusy as error:
        if stop.asked():
            return _stopped(run, tools, stop, RunCancelled(stop.reason))
        if run.origin == "service":
            raise
        return _end(run, tools, "error", error)
    except (ServiceError, DriverError) as error:
        log.warning("run %s on %s: %s", run.id, station.name, error)
        return _end(run, tools, "error", error)
    except Exception as error:
        log.exception("run %s on %s: a mistake in the program", run.id, station.name)
        return _end(run, tools, "error", error)
    except BaseException as error:
        _end(run, tools, "cancelled", error, message=f"interrupted by {type(error).__name__}")
        raise


def _work(run: Run, station: Station, tools: Tools, hooks: _Hooks) -> Performed:
    journal, store, stop = tools.journal, tools.journal.store, hooks.stop
    if stop.asked():
        raise RunCancelled(stop.reason)

    def tell_wait(sentence: str) -> None:
        hooks.progress("wait", sentence, 0.0)

    with tools.locks.holding(
        station.name,
        station.scope,
        cancelled=lambda: stop.asked() or stop.leaving,
        on_wait=tell_wait,
        for_ever=run.origin == "service",  # it has its turn, however long a person's command takes
    ):
        run = _begin(run, tools)
        document = store.result(run.id)
        if document is None:
            with stop.at_bench():
                document = tools.work[run.kind](station, run, hooks.as_hooks())
            if stop.unwanted:
                raise RunCancelled(stop.reason)
    if store.result(run.id) is None:
        store.keep_result(run.id, document, at=timestamp(journal.clock()), job=run.job)
    if run.kind in REPORTED:
        store.keep_report(run.id, _report(store.read(run.id), station, document, tools, hooks.taken))
    elif "outcome" in document:
        store.keep_report(run.id, _check_report(store.read(run.id), station, document))
    return Performed(journal.move(run.id, "done", job=run.job, verdict=document.get("verdict")), document)


def _begin(run: Run, tools: Tools) -> Run:
    """At work from now on; a run whose program died is at work already, and says that it goes on."""
    now = tools.journal.store.read(run.id)
    if now.state != "running":
        return tools.journal.move(run.id, "running", job=run.job, worker=run.worker)
    tools.journal.require_unclaimed(now)
    tools.journal.store.change(run.id, lambda _now: {"worker": run.worker})
    tools.journal.tell(run.id, "resumed", captures=len(now.captures), worker=run.worker)
    return now


def _wait(run: Run, tools: Tools, need: NeedsPerson) -> Performed:
    until = timestamp(tools.journal.clock() + timedelta(seconds=need.limit_s))
    waiting_for = {**need.prompt, "until": until}
    return Performed(tools.journal.move(run.id, "waiting", job=run.job, waiting_for=waiting_for))


def _stopped(run: Run, tools: Tools, stop: StopSignal, error: RunCancelled) -> Performed:
    """Cancelled by somebody; or its time was over, which is an error that somebody should see."""
    if stop.put_back:
        now = tools.journal.store.read(run.id)
        if now.state != "queued":
            now = tools.journal.move(run.id, "queued", job=run.job, message=stop.reason)
        return Performed(now, None, error)
    if stop.error is not None:
        return _end(run, tools, "error", stop.error)
    return _end(run, tools, "cancelled", error, message=stop.reason or str(error))


def _end(run: Run, tools: Tools, state: str, error: BaseException, *, message: str = "") -> Performed:
    changes: dict[str, Any] = {"error": problem_of(error)} if state == "error" else {}
    ended = tools.journal.move(run.id, state, message=message or str(error), job=run.job, **changes)
    return Performed(ended, None, error)


class _Hooks:
    """What the run tells and asks while it works."""

    def __init__(
        self, run: Run, tools: Tools, stop: StopSignal, progress: Progress, person: Person | None
    ) -> None:
        self.stop = stop
        self._run = run
        self._tools = tools
        self._progress = progress
        self._person = person
        self._noted: dict[str, Mapping[str, Any]] = {}
        self._asked = 0
        self._before: dict[str, KeptCapture] | None = None
        self.taken: dict[str, Capture] = {}
        """By label: what need not be read again for the report."""

    def as_hooks(self) -> RunHooks:
        return RunHooks(
            progress=self.progress,
            keep=self._keep,
            note=self._noted.__setitem__,
            kept=self._kept,
            ask=self._ask,
            watch=self._watch,
            met=self._met,
            left=self._left,
            owed=self._owed,
            since=self._since,
            cancelled=self.stop.asked,
        )

    def progress(self, step: str, message: str, fraction: float) -> None:
        journal = self._tools.journal
        journal.tell(self._run.id, "progress", step=step, message=message, fraction=round(fraction, 4))
        self._progress(step, message, fraction)

    def _keep(self, capture: Capture, label: str) -> None:
        journal, run = self._tools.journal, self._run
        self.taken[label] = capture
        named = journal.store.keep_capture(
            run.id,
            label,
            self._tools.pack_capture(capture),
            at=timestamp(journal.clock()),
            facts=self._noted.pop(label, {}),
            job=run.job,
        )
        journal.tell(run.id, "capture", name=named.name, number=named.shot, label=label)

    def _kept(self, label: str) -> tuple[Capture, Mapping[str, Any]] | None:
        if self._before is None:
            kept = self._tools.journal.store.kept(self._run.id)
            self._before = {c.label: c for c in kept if c.facts and c.path.exists()}
        found = self._before.get(label)
        return (self._tools.read_capture(found.path), found.facts) if found else None

    def _met(self, met: Met) -> None:
        journal = self._tools.journal
        journal.store.visits.met(self._run.id, met, timestamp(journal.clock()))

    def _left(self, panel: Mapping[str, Any] | None, switched_on_again: bool) -> None:
        journal = self._tools.journal
        now = timestamp(journal.clock())
        journal.store.visits.left(self._run.id, panel, now, switched_on=switched_on_again)

    def _owed(self) -> Mapping[str, str | None] | None:
        return self._tools.journal.store.visits.owed(self._run.id)

    def _since(self) -> Since:
        return self._tools.journal.store.visits.since(self._run.id)

    def _watch(
        self, prompt: Mapping[str, Any], limit_s: float, look: Callable[[], Look], every_s: float
    ) -> Mapping[str, Any]:
        self._asked += 1
        return self._next_step().wait(prompt, limit_s, look, every_s)

    def _next_step(self) -> Watch:
        return Watch(self._run, self._tools.journal, self.stop, self._asked, self._person)

    def _ask(self, prompt: Mapping[str, Any], limit_s: float) -> Mapping[str, Any]:
        self._asked += 1
        if self._person:
            return self._next_step().wait(prompt, limit_s, None, PERSON_ASKED_EVERY_S)
        answers = self._tools.journal.store.read(self._run.id).answers
        if len(answers) < self._asked:
            raise NeedsPerson(prompt, limit_s)
        return answers[self._asked - 1]


def _report(
    run: Run, station: Station, document: Mapping[str, Any], tools: Tools, taken: Mapping[str, Capture]
) -> str:
    captures = [
        (kept.label, taken.get(kept.label) or tools.read_capture(kept.path))
        for kept in tools.journal.store.kept(run.id)
    ]
    meta = ReportMeta(
        title=f"Echo test at {station.name}",
        station=station.name,
        run_id=run.id,
        sent=run.payload,
        started_at=run.started_at,
        finished_at=captures[-1][1].taken_at if captures else None,
        versions=software_versions(),
    )
    if captures:
        last = captures[-1][1]
        meta = replace(meta, instrument=instrument_facts(last), settings=settings_facts(last))
    return tools.render_report(document, _shots(station, captures), meta)


def _check_report(run: Run, station: Station, document: Mapping[str, Any]) -> str:
    from service.report.check_page import render_check

    title = f"Station check of {station.name}"
    return render_check(document, ReportMeta(title=title, station=station.name, run_id=run.id))


def _shots(station: Station, captures: Sequence[tuple[str, Capture]]) -> list[Shot]:
    """The captures that were judged, by role: shot n of the document is the nth of them."""
    to_target, from_target = (station.probes[role].channel for role in ("to_target", "from_target"))
    judged = [capture for label, capture in captures if label.startswith(JUDGED_LABELS)]
    return [shot_of(capture, to_target, from_target) for capture in judged]
