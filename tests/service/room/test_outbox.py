"""The outbox: each summary goes out once, again when it failed, and never holds up anything."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.room.morning_plan import MailTarget, MorningPlan, WebhookTarget
from service.room.outbox import FIRST_PAUSE_S, GIVE_UP, LEASE, Outbox
from service.room.room import room_of
from service.room.webhook import ID, send_webhook
from service.store import RunStore
from tests.service.bench_of_straw import station
from tests.service.room.papers import Hands
from tests.service.room.receivers import (
    Mailbox,
    Web,
    hook_to,
    mail_server,
    mail_to,
    web_server,
)

ROOT = Path(__file__).parents[3]
DUE = datetime(2027, 1, 12, 7, 30, tzinfo=UTC)


@pytest.fixture
def clock() -> Hands:
    return Hands(DUE)


def kept(store: RunStore, clock: Hands, *targets: MailTarget | WebhookTarget) -> tuple[MorningPlan, Outbox]:
    """A summary with its deliveries in the outbox."""
    plan = MorningPlan(at="07:30", to=targets)
    room = room_of(store, [station()], clock, plan)
    assert room.mornings.make_due() == "2027-01-12"
    return plan, room.outbox


def deliveries(store: RunStore, clock: Hands) -> list[tuple[str, str, int, str | None]]:
    told = room_of(store, [station()], clock).mornings.one("2027-01-12")["deliveries"]
    return [(d["target"], d["state"], d["attempts"], d["last_error"]) for d in told]


def test_what_failed_is_tried_again_with_growing_pauses_and_sent_once(store: RunStore, clock: Hands) -> None:
    """Both ways; each has its own pace, and the same message id at each attempt."""
    box, web = Mailbox(answers=["451 later", "451 later"]), Web(answers=[503])
    with mail_server(box) as port, web_server(web) as url:
        _, outbox = kept(store, clock, mail_to(port), hook_to(url))
        assert outbox.work() == 0
        assert outbox.work() == 0  # not before its time
        assert len(web.taken) == 1
        clock.forward(seconds=FIRST_PAUSE_S)
        assert outbox.work() == 1  # the web server is back
        clock.forward(seconds=2 * FIRST_PAUSE_S)
        assert outbox.work() == 1
        clock.forward(hours=1)
        assert outbox.work() == 0
    assert deliveries(store, clock) == [("teachers", "sent", 3, None), ("board", "sent", 2, None)]
    assert len(box.taken) == 1
    assert {headers[ID] for headers, _ in web.taken} == {web.taken[0][0][ID]}


def test_what_was_refused_for_good_or_too_long_is_given_up_with_the_reason(
    store: RunStore, clock: Hands
) -> None:
    """At once for the one, after a day for the other; the log and the summary say why."""
    box, web = Mailbox(answers=["554 not from you"]), Web(answers=[503] * 100)
    with mail_server(box) as port, web_server(web) as url:
        _, outbox = kept(store, clock, mail_to(port), hook_to(url))
        outbox.work()
        while clock.now < DUE + GIVE_UP:
            clock.forward(minutes=61)
            outbox.work()
    mail, hook = deliveries(store, clock)
    assert (mail[1], mail[2]) == ("given-up", 1)
    assert "554 not from you" in str(mail[3])
    assert (hook[1], hook[3]) == ("given-up", "it answered 503")
    assert 20 < hook[2] < 30


def test_a_target_that_is_gone_from_the_stations_file_is_given_up(store: RunStore, clock: Hands) -> None:
    """Not sent to wherever it was."""
    kept(store, clock, mail_to(9))
    assert Outbox(store.database, MorningPlan(at="07:30"), clock).work() == 0
    assert deliveries(store, clock)[0][1] == "given-up"


def test_two_processes_send_it_once(store: RunStore, clock: Hands) -> None:
    """The second looks while the first is in the middle of sending."""
    web = Web()
    with web_server(web) as url:
        plan, first = kept(store, clock, hook_to(url))
        counts: list[int] = []

        def meanwhile(*arguments: Any) -> str | None:
            counts.append(first.work())
            return send_webhook(*arguments)

        counts.append(Outbox(store.database, plan, clock, meanwhile).work())
    assert (counts, len(web.taken)) == ([0, 1], 1)


DYING = """
import sys
from datetime import datetime, UTC
from service.database import Database
from service.room.morning_plan import MorningPlan, Secret, WebhookTarget
from service.room.outbox import Outbox
plan = MorningPlan(at="07:30", to=(WebhookTarget("board", sys.argv[2], Secret(env="BENCH_SECRET")),))
Outbox(Database(sys.argv[1]), plan, lambda: datetime(2027, 1, 12, 7, 30, tzinfo=UTC)).work()
"""


def test_a_process_that_dies_while_it_sends_leaves_it_to_the_next(
    store: RunStore, clock: Hands, database: str
) -> None:
    """kill -9 with the request under way: after the lease it is sent again, with the same message id."""
    web = Web()
    web.hold.clear()
    with web_server(web) as url:
        _, outbox = kept(store, clock, hook_to(url))
        child = subprocess.Popen([sys.executable, "-c", DYING, database, url], cwd=ROOT)
        try:
            assert web.came.acquire(timeout=40)
        finally:
            child.kill()
            child.wait()
        web.hold.set()
        assert outbox.work() == 0  # it may still be under way, as far as anybody knows
        clock.forward(seconds=LEASE.total_seconds())
        assert outbox.work() == 1
    assert deliveries(store, clock) == [("board", "sent", 2, None)]
    assert [headers[ID] for headers, _ in web.taken] == [web.taken[0][0][ID]] * 2


def test_a_stalled_server_keeps_neither_the_room_nor_the_end_of_the_service_waiting(
    tmp_path: Path, until_made: Callable[..., None]
) -> None:
    """The keeper looks after claims while the outbox hangs in a request."""
    from tests.service.bench_of_straw import straw_wiring

    web = Web()
    web.hold.clear()
    clock = Hands(DUE)
    with web_server(web) as url:
        plan = MorningPlan(at="07:30", to=(hook_to(url),))
        wiring = straw_wiring(tmp_path, more={"morning": plan, "clock": clock})
        wiring.room.presence.claim("north-1", "Ida", for_s=3600)
        wiring.start()
        try:
            assert web.came.acquire(timeout=20)
            clock.forward(hours=2)
            until_made(lambda: wiring.room.presence.history("north-1")[0].ended_because == "ran out")
        finally:
            web.hold.set()
            wiring.close()


@pytest.fixture
def until_made() -> Callable[[Callable[[], bool]], None]:
    """Look until it is so: the keeper's own thread does it."""

    def look(condition: Callable[[], bool]) -> None:
        end = time.monotonic() + 30
        while not condition():
            assert time.monotonic() < end
            time.sleep(0.02)

    return look
