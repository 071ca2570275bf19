"""A person at a bench has it for themselves: what others asked for waits, and nothing of it is lost."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from service.access.caller import Caller
from service.errors import BadInput, NotFound, StationClaimed, UnknownStation
from service.intake import command_run, echo_request
from service.plans import Send
from service.room.presence import Presence, person_here
from service.run_record import Run
from service.runs import perform
from service.store import RunStore
from service.wiring import Wiring
from tests.service.bench_of_straw import NAMES, StrawEchoTest, station, straw_wiring
from tests.service.room.conftest import START
from tests.service.room.papers import Hands

SEND = Send(text="Tide 7")


@pytest.fixture
def presence(store: RunStore, clock: Hands) -> Presence:
    return Presence(store.database, [station(name) for name in NAMES], clock)


def test_a_claim_counts_until_it_is_given_back(presence: Presence, clock: Hands) -> None:
    """And stays in the history with its end."""
    made = presence.claim("north-1", "Ida", because="class 3b", for_s=3600)
    assert (made.since, made.until) == ("2027-01-11T08:00:00.000Z", "2027-01-11T09:00:00.000Z")
    assert presence.all() == {"north-1": made}
    clock.forward(minutes=5)
    assert presence.give_back("north-1", "Ben").ended_because == "given back by Ben"
    assert presence.of("north-1") is None
    assert [c.ended_at for c in presence.history("north-1")] == ["2027-01-11T08:05:00.000Z"]
    with pytest.raises(NotFound, match="nobody is at north-1"):
        presence.give_back("north-1", "Ben")


def test_a_claim_that_was_forgotten_runs_out(presence: Presence, clock: Hands) -> None:
    """Whoever forgot it is not waited for; the next one can have the bench at once."""
    presence.claim("north-1", "Ida", for_s=3600)
    clock.forward(hours=1)
    assert presence.of("north-1") is None
    assert presence.claim("north-1", "Ben").who == "Ben"
    assert [c.ended_because for c in presence.history("north-1")] == [None, "ran out"]
    clock.forward(hours=5)
    assert presence.end_old() == ["north-1"]
    assert presence.end_old() == []


def test_one_bench_is_for_one_person(presence: Presence, clock: Hands) -> None:
    """The same one may make it last longer; another is told who is there."""
    first = presence.claim("north-1", "Ida", for_s=3600)
    with pytest.raises(StationClaimed, match=r"Ida is at north-1 until 2027-01-11T09:00:00\.000Z"):
        presence.claim("north-1", "Ben")
    clock.forward(minutes=30)
    longer = presence.claim("north-1", "Ida", for_s=3600)
    assert (longer.id, longer.until) == (first.id, "2027-01-11T09:30:00.000Z")
    assert presence.claim("north-2", "Ben").station == "north-2"


def test_what_is_no_claim_is_refused(presence: Presence) -> None:
    """Unknown benches, no name, no end."""
    with pytest.raises(UnknownStation):
        presence.claim("north-9", "Ida")
    for wrong in ({"who": " "}, {"for_s": 0.0}, {"for_s": 90_000.0}, {"because": ""}):
        with pytest.raises(BadInput):
            presence.claim("north-1", **({"who": "Ida"} | wrong))


@contextmanager
def service(folder: Path, echo: StrawEchoTest, clock: Hands | None = None) -> Iterator[Wiring]:
    more = {"clock": clock} if clock else None
    with ExitStack() as stack:
        wiring = straw_wiring(folder, echo, more=more)
        stack.callback(wiring.close)
        wiring.start()
        yield wiring


def until(wiring: Wiring, run: Run, wanted: Callable[[Run], bool]) -> Run:
    """The run as soon as it is as wanted: its news are waited for, not a time."""
    news = threading.Event()
    with wiring.journal.watched(lambda _about: news.set()):
        for _ in range(300):
            news.clear()
            now = wiring.store.read(run.id)
            if wanted(now):
                return now
            news.wait(0.1)
    raise AssertionError(f"run {run.id} stayed {now.state}")


def test_what_others_ask_for_waits_while_the_persons_own_run_is_done(tmp_path: Path) -> None:
    """By the number of the claim, or by an owner that is the same."""
    echo = StrawEchoTest()
    with service(tmp_path, echo) as wiring:
        claim = wiring.room.presence.claim("north-1", "Ida", owner="token-1")
        other = wiring.intake.request_echo_test("north-1", SEND)
        mine = wiring.intake.request_echo_test("north-1", SEND, claim=claim.id)
        at = wiring.station("north-1")
        asked = echo_request(at, SEND)
        ida, ben = (Caller(name, name, "operator", owner=name) for name in ("token-1", "token-2"))
        owned = wiring.intake.request("echo-test", at, asked, by=ida)
        night = wiring.intake.request("echo-test", at, asked, by=ida, priority="grading")
        false = wiring.intake.request("echo-test", at, {**asked, "claim": claim.id}, by=ben)
        elsewhere = wiring.intake.request_echo_test("north-2", SEND)
        for run in (mine, owned, elsewhere):
            until(wiring, run, lambda now: now.state == "done")
        assert {wiring.store.read(run.id).state for run in (other, night, false)} == {"queued"}
        assert [name for name, _ in echo.seen].count("north-1") == 2
        wiring.room.presence.give_back("north-1", "Ida")
        wiring.engine.serve_again("north-1")
        for run in (other, night, false):
            until(wiring, run, lambda now: now.state == "done")


def test_a_run_at_work_leaves_the_bench_and_keeps_its_place(tmp_path: Path) -> None:
    """C2: it ends at a safe point, is queued again and goes on with what it has; none is lost."""
    echo = StrawEchoTest(gated=True)
    with service(tmp_path, echo) as wiring:
        run = wiring.intake.request_echo_test("north-1", SEND)
        echo.wait_at_work()
        claim = wiring.room.presence.claim("north-1", "Ida")
        assert [r.id for r in wiring.room.presence.at_work(claim)] == [run.id]
        until(wiring, run, lambda now: now.state == "queued")
        assert wiring.room.presence.at_work(claim) == []
        told = [e.get("message", "") for _, e in wiring.store.events(run.id)]
        assert any("Ida is at north-1" in message for message in told)
        wiring.room.presence.give_back("north-1", "Ida")
        echo.let_go.release()
        wiring.engine.serve_again("north-1")
        assert until(wiring, run, lambda now: now.state == "done").verdict == "pass"


def test_a_claim_outlives_the_service(tmp_path: Path) -> None:
    """After a restart the same runs wait, and a claim that runs out lets them go on by itself."""
    echo, clock = StrawEchoTest(), Hands(START)
    with service(tmp_path, echo, clock) as wiring:
        wiring.room.presence.claim("north-1", "Ida", for_s=3600)
        run = wiring.intake.request_echo_test("north-1", SEND)
    with service(tmp_path, echo, clock) as wiring:
        assert wiring.room.presence.all().keys() == {"north-1"}
        done = wiring.intake.request_echo_test("north-2", SEND)
        until(wiring, done, lambda now: now.state == "done")
        assert (wiring.store.read(run.id).state, [at for at, _ in echo.seen]) == ("queued", ["north-2"])
        clock.forward(hours=2)
        until(wiring, run, lambda now: now.state == "done")


def test_a_command_does_not_go_to_a_bench_where_somebody_else_is(tmp_path: Path) -> None:
    """`benchwarden echo` beside the service; the claimer's own commands are done."""
    echo = StrawEchoTest()
    wiring = straw_wiring(tmp_path, echo)
    at = wiring.station("north-1")
    wiring.room.presence.claim("north-1", "Ida", owner="user:ida")
    ended = perform(command_run(at, SEND, wiring.journal), at, wiring.tools)
    assert isinstance(ended.error, StationClaimed)
    assert (ended.run.state, echo.seen) == ("error", [])
    wiring.room.presence.give_back("north-1", "Ida")
    wiring.room.presence.claim("north-1", "Ida", owner=person_here())
    assert perform(command_run(at, SEND, wiring.journal), at, wiring.tools).run.state == "done"
    wiring.close()
