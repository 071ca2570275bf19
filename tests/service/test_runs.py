"""One run from request to report: whatever happens, it ends settled and says why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import IdentityError, NotReachable, TimedOut
from service.errors import TimeIsUp, outcome_of
from service.files.npz import read_capture
from service.hooks import RunHooks
from service.intake import command_run
from service.pipeline.trace import Shot
from service.plans import Send
from service.report.meta import ReportMeta
from service.run_record import Run
from service.runs import Performed, StopSignal, perform
from service.stations import Station
from service.wiring import Wiring, build
from tests.service.bench_of_straw import StrawEchoTest, capture, settings, station, straw_report, straw_wiring


def one_run(wiring: Wiring, **more: Any) -> Performed:
    """As `benchwarden echo` does it."""
    at = wiring.station("north-1")
    return perform(command_run(at, Send(text="Tide 7"), wiring.journal), at, wiring.tools, **more)


def events(wiring: Wiring, run: Run) -> list[str]:
    return [event["event"] for _, event in wiring.store.events(run.id)]


def test_a_run_that_was_judged_gives_its_document_and_keeps_all_of_it(tmp_path: Path) -> None:
    """In the answer and on disk alike."""
    wiring = straw_wiring(tmp_path)
    performed = one_run(wiring)
    assert performed.error is None
    assert performed.document == wiring.store.result(performed.run.id)
    assert (performed.run.state, performed.run.verdict) == ("done", "pass")
    assert wiring.store.read(performed.run.id) == performed.run
    kept = read_capture(wiring.store.capture(performed.run.id, "0"))
    assert kept.identity == capture().identity
    assert (kept.channel("1").codes == capture().channel("1").codes).all()


def test_progress_goes_to_the_caller_and_into_the_events(tmp_path: Path) -> None:
    """A terminal and a page see the same."""
    wiring = straw_wiring(tmp_path)
    told: list[tuple[str, str, float]] = []
    performed = one_run(wiring, progress=lambda *step: told.append(step))
    assert told == [("shot", "sending", 0.5)]
    assert events(wiring, performed.run) == ["state", "state", "progress", "capture", "state"]


@pytest.mark.parametrize(
    ("error", "exit_code", "kind"),
    [
        (NotReachable("nothing answers"), 4, "/problems/not-reachable"),
        (TimedOut("no answer within 2 s"), 4, "/problems/no-answer"),
        (IdentityError("another instrument answers"), 5, "/problems/other-instrument"),
        (ZeroDivisionError("bug"), 5, "/problems/internal"),
    ],
)
def test_an_error_is_recorded_and_handed_back_not_raised(
    tmp_path: Path, error: Exception, exit_code: int, kind: str
) -> None:
    """What was captured before is kept; there is no verdict."""
    wiring = straw_wiring(tmp_path, StrawEchoTest(raises=error))
    performed = one_run(wiring)
    assert performed.error is error
    assert outcome_of(error).exit_code == exit_code
    assert performed.run.state == "error"
    assert performed.run.error is not None
    assert performed.run.error["type"] == kind
    assert performed.run.verdict is None
    assert performed.run.finished_at is not None
    assert wiring.store.read(performed.run.id).captures == ("shot 1",)


def test_a_report_that_fails_makes_an_error_of_the_run_and_keeps_the_result(tmp_path: Path) -> None:
    """Nothing is hidden: the result document is there, and the record says that something broke."""

    def broken(_d: Mapping[str, Any], _s: Sequence[Shot], _m: ReportMeta) -> str:
        raise RuntimeError("template")

    wiring = build(settings(tmp_path), stations=[station()], echo_test=StrawEchoTest(), render_report=broken)
    performed = one_run(wiring)
    assert performed.run.state == "error"
    result = wiring.store.result(performed.run.id)
    assert result is not None
    assert result["verdict"] == "pass"


def test_ctrl_c_ends_the_run_as_cancelled_and_goes_on_to_end_the_program(tmp_path: Path) -> None:
    """The record does not stay at work for ever."""
    wiring = straw_wiring(tmp_path, StrawEchoTest(raises=KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        one_run(wiring)
    (run,) = wiring.store.newest_first()
    assert run.state == "cancelled"


def test_a_run_that_is_stopped_before_it_begins_touches_nothing(tmp_path: Path) -> None:
    """Neither the lock nor the bench."""
    echo = StrawEchoTest()
    wiring = straw_wiring(tmp_path, echo)
    stop = StopSignal()
    stop.ask("cancelled on request")
    performed = one_run(wiring, stop=stop)
    assert performed.run.state == "cancelled"
    assert echo.seen == []
    assert not wiring.settings.locks.exists()


@pytest.mark.parametrize(
    ("ask", "state"),
    [
        (lambda stop: stop.ask("cancelled on request"), "cancelled"),
        (lambda stop: stop.ask_to_put_back("the service was stopped"), "done"),
        (lambda stop: stop.ask("late", TimeIsUp("late")), "done"),
    ],
)
def test_a_run_that_is_cancelled_while_it_is_judged_is_cancelled(
    tmp_path: Path, ask: Callable[[StopSignal], None], state: str
) -> None:
    """Whoever cancelled was told so. One that is to stop for another reason has come to its end."""
    stop = StopSignal()

    class Judging(StrawEchoTest):
        def _work(self, hooks: RunHooks) -> dict[str, Any]:
            document = super()._work(hooks)
            ask(stop)
            return document

    wiring = straw_wiring(tmp_path, Judging())
    run = one_run(wiring, stop=stop).run
    assert run.state == state
    assert (wiring.store.result(run.id) is None) == (state == "cancelled")
    assert len(run.captures) == 1


def test_the_report_shows_the_shots_that_were_judged_and_not_the_soundings(tmp_path: Path) -> None:
    """Shot n of the document is drawing n of the report; soundings are kept as evidence only."""
    shown: list[tuple[int, ReportMeta]] = []

    def echo(_at: Station, _payload: bytes, hooks: RunHooks) -> dict[str, Any]:
        for label in ("sounding 1", "sounding 2", "shot 1", "shot 2", "forced shot 1"):
            hooks.keep(capture(), label)
        return {"schema": 1, "verdict": "pass"}

    def report(document: Mapping[str, Any], shots: Sequence[Shot], meta: ReportMeta) -> str:
        shown.append((len(shots), meta))
        return straw_report(document, shots, meta)

    wiring = build(settings(tmp_path), stations=[station()], echo_test=echo, render_report=report)
    run = one_run(wiring).run
    ((shots, meta),) = shown
    assert shots == 3
    assert len(wiring.store.read(run.id).captures) == 5
    assert (meta.station, meta.run_id, meta.sent) == ("north-1", run.id, b"Tide 7")
    assert meta.instrument["model"] == "straw"


def test_nothing_is_built_or_touched_before_the_first_run(tmp_path: Path) -> None:
    """Building a service makes no folder and opens no instrument."""
    build(settings(tmp_path), stations=[station()])
    assert list(tmp_path.iterdir()) == []
