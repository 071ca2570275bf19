"""One run from its request to its stored report: what the service's engine and `benchwarden echo` both do."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.errors import DriverError
from drivers.scope.capture import Capture
from service.errors import ServiceError, StationBusy, problem_of
from service.hooks import RunCancelled, RunHooks
from service.journal import Journal
from service.locks import StationLocks
from service.pipeline.trace import Shot
from service.report.meta import ReportMeta, instrument_facts, settings_facts, software_versions
from service.run_record import JUDGED_LABELS, Run
from service.shots import shot_of
from service.stations import Station

log = logging.getLogger(__name__)

EchoTest = Callable[[Station, bytes, RunHooks], dict[str, Any]]
RenderReport = Callable[[Mapping[str, Any], Sequence[Shot], ReportMeta], str]
PackCapture = Callable[[Capture], bytes]
Progress = Callable[[str, str, float], None]


class StopSignal:
    """Asks a run to stop, and remembers why."""

    def __init__(self) -> None:
        self._asked = threading.Event()
        self.reason = ""

    def ask(self, reason: str) -> None:
        """The first reason stays."""
        self.reason = self.reason or reason
        self._asked.set()

    def asked(self) -> bool:
        return self._asked.is_set()


@dataclass(frozen=True)
class Tools:
    """What a run works with; wiring.py chooses."""

    journal: Journal
    locks: StationLocks
    echo_test: EchoTest
    render_report: RenderReport
    pack_capture: PackCapture


@dataclass(frozen=True)
class Performed:
    """How a run ended: `document` when it was judged, `error` when something went wrong."""

    run: Run
    document: dict[str, Any] | None = None
    error: BaseException | None = None


@dataclass
class _Kept:
    """Captures of this run in the order in which they came."""

    captures: list[tuple[str, Capture]] = field(default_factory=list)


def _quiet(_step: str, _message: str, _fraction: float) -> None:
    return None


def perform(
    run: Run, station: Station, tools: Tools, *, stop: StopSignal | None = None, progress: Progress = _quiet
) -> Performed:
    """Take the station, test, keep everything, and settle the run whatever happens.

    Errors of instruments, links and ours end in the run's record and in the answer, not as exceptions.

    Raises:
        StoreFailed: not even the end could be recorded.
    """
    stop = stop or StopSignal()
    try:
        return _work(run, station, tools, stop, progress)
    except RunCancelled as error:
        return _end(run, tools, "cancelled", error, message=stop.reason or str(error))
    except StationBusy as error:
        if stop.asked():
            return _end(run, tools, "cancelled", RunCancelled(stop.reason), message=stop.reason)
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


def _work(run: Run, station: Station, tools: Tools, stop: StopSignal, progress: Progress) -> Performed:
    journal, store = tools.journal, tools.journal.store
    kept = _Kept()
    hooks = _hooks(run, tools, stop, progress, kept)
    if stop.asked():
        raise RunCancelled(stop.reason)

    def tell_wait(sentence: str) -> None:
        hooks.progress("wait", sentence, 0.0)

    with tools.locks.holding(station.name, station.scope, cancelled=stop.asked, on_wait=tell_wait):
        journal.move(run.id, "running")
        document = tools.echo_test(station, run.payload, hooks)
    store.keep_result(run.id, document)
    store.keep_report(run.id, _report(store.read(run.id), station, document, kept, tools))
    return Performed(journal.move(run.id, "done", verdict=document["verdict"]), document)


def _end(run: Run, tools: Tools, state: str, error: BaseException, *, message: str = "") -> Performed:
    changes = {"error": problem_of(error)} if state == "error" else {}
    return Performed(tools.journal.move(run.id, state, message=message or str(error), **changes), None, error)


def _hooks(run: Run, tools: Tools, stop: StopSignal, progress: Progress, kept: _Kept) -> RunHooks:
    journal = tools.journal

    def tell(step: str, message: str, fraction: float) -> None:
        journal.tell(run.id, "progress", step=step, message=message, fraction=round(fraction, 4))
        progress(step, message, fraction)

    def keep(capture: Capture, label: str) -> None:
        named = journal.store.keep_capture(run.id, label, tools.pack_capture(capture))
        kept.captures.append((label, capture))
        journal.tell(run.id, "capture", name=named.name, number=named.shot, label=label)

    return RunHooks(progress=tell, keep=keep, cancelled=stop.asked)


def _report(run: Run, station: Station, document: Mapping[str, Any], kept: _Kept, tools: Tools) -> str:
    meta = ReportMeta(
        title=f"Echo test at {station.name}",
        station=station.name,
        run_id=run.id,
        sent=run.payload,
        started_at=run.started_at,
        finished_at=kept.captures[-1][1].taken_at if kept.captures else None,
        versions=software_versions(),
    )
    if kept.captures:
        last = kept.captures[-1][1]
        meta = replace(meta, instrument=instrument_facts(last), settings=settings_facts(last))
    return tools.render_report(document, _shots(station, kept), meta)


def _shots(station: Station, kept: _Kept) -> list[Shot]:
    """The captures that were judged, by role: shot n of the document is the nth of them."""
    to_target, from_target = (station.probes[role].channel for role in ("to_target", "from_target"))
    judged = [capture for label, capture in kept.captures if label.startswith(JUDGED_LABELS)]
    return [shot_of(capture, to_target, from_target) for capture in judged]
