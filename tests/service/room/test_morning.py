"""The morning summary: worst first, plain words, ready by its hour whatever hangs, made once."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from service.errors import NotFound
from service.pipeline.findings import Finding
from service.report.morning_page import render_morning
from service.report.morning_text import morning_text
from service.room.morning import WORTH_TELLING, used_up
from service.room.morning_plan import MailTarget, MorningPlan
from service.room.mornings import Mornings
from service.room.room import Room, room_of
from service.room_rules import RoomRules
from service.run_record import new_run, timestamp
from service.store import RunStore
from tests.service.bench_of_straw import NAMES, station
from tests.service.room.papers import Hands, kept_check, kept_failure
from tests.service.room.test_history_page import course

PLAN = MorningPlan(at="07:30", zone="Europe/Berlin", days="1-5", checks_start="06:45")
DUE = datetime(2027, 1, 12, 6, 30, tzinfo=UTC)
"""A Tuesday, 07:30 in Berlin."""


@pytest.fixture
def clock() -> Hands:
    return Hands(datetime(2027, 1, 12, 5, 45, tzinfo=UTC))


@pytest.fixture
def room(store: RunStore, clock: Hands) -> Room:
    return room_of(store, [station(name) for name in NAMES], clock, PLAN)


def rows(document: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(row["station"], row["outcome"]) for row in document["stations"]]


def test_the_worst_comes_first_and_says_what_to_do_first(room: Room, store: RunStore, clock: Hands) -> None:
    """Not seen, not usable, practice only, ready; the headline counts them."""
    bad = Finding("probe-ratio", "bench", "fail", None, "m", "Set the switch on the probe to 10x.", {})
    kept_check(store, "north-1", clock.now)
    kept_check(store, "north-2", clock.now, {"to_target.probe_factor": 0.1}, findings=[bad])
    kept_failure(store, "south-1", clock.now, kind="check")
    clock.now = DUE
    document = room.mornings.now(DUE)
    assert rows(document) == [("south-1", "not-seen"), ("north-2", "not-usable"), ("north-1", "ready")]
    assert document["headline"] == "1 of 3 stations are ready; 1 not seen, 1 not usable."
    by_name = {row["station"]: row for row in document["stations"]}
    assert by_name["north-2"]["first_step"] == "Set the switch on the probe to 10x."
    assert by_name["north-1"]["checked_local"] == "06:45"
    assert (document["date"], document["due_local"], document["counts"]["ready"]) == (
        "2027-01-12",
        "07:30",
        1,
    )


def test_a_clock_that_only_the_room_can_show_to_be_off_is_told_in_the_morning(
    store: RunStore, clock: Hands
) -> None:
    """Needs of this house, A5: both rates off alike at one scope of eight; each check by itself passes."""
    names = [f"north-{number}" for number in range(1, 9)]
    room = room_of(store, [station(name) for name in names], clock, PLAN)
    for number, name in enumerate(names):
        off = -0.1 if name == "north-4" else 0.0002 * number  # percent
        kept_check(store, name, clock.now, {"to_target.rate": off, "from_target.rate": off})
    clock.now = DUE
    document = room.mornings.now(DUE)
    assert document["counts"]["ready"] == 8
    (told,) = [words for words in document["standing_out"] if "clock" in words]
    assert told.startswith("north-4: the scope's clock is +")
    assert "Use another station" in told
    assert "scope's clock" in " ".join(morning_text(document).split())


def test_the_rooms_emergency_numbers_stand_in_the_summary(store: RunStore, clock: Hands) -> None:
    """Whoever goes to a bench after reading it has them in hand; asked for where nobody entered them."""
    entered = RoomRules("4711, then 112", "red button beside the door", "I. Holm", "2027-01-04")
    for rules, words in ((entered, "Emergency: 4711, then 112."), (None, "Nobody has entered this room's")):
        document = room_of(store, [station(room=rules)], clock, PLAN).mornings.now(DUE)
        assert words in " ".join(morning_text(document).split())
        assert words in render_morning(document).replace("&#39;", "'")


@pytest.mark.parametrize("state", ["queued", "running", "waiting"])
def test_a_station_whose_check_hangs_is_not_waited_for(
    room: Room, store: RunStore, clock: Hands, state: str
) -> None:
    """It is not seen, whatever it was yesterday, and the summary says why and what to do."""
    kept_check(store, "north-1", clock.now.replace(day=11, hour=20))  # still counts by its age
    run = store.create(new_run("check", "north-1", {}, clock.now, origin="service"))
    if state != "queued":
        store.move(run.id, "running", started_at=timestamp(clock.forward(minutes=3)))
    if state == "waiting":
        store.move(run.id, "waiting", waiting_for={"text": "x", "until": "2027-01-12T09:00:00.000Z"})
    clock.now = DUE
    row = next(r for r in room.mornings.now(DUE)["stations"] if r["station"] == "north-1")
    assert (row["outcome"], row["finished"], row["run"]) == ("not-seen", False, run.id)
    words = {
        "queued": "has not begun: it was asked for at 06:45",
        "running": "has not finished: it is at work since 06:48",
        "waiting": "waits for a person",
    }
    assert words[state] in row["because"]
    assert row["first_step"].startswith("Look whether the scope is switched on")


def test_a_check_that_waits_for_a_person_at_the_bench_says_whom_to_ask(
    room: Room, store: RunStore, clock: Hands
) -> None:
    """Presence and summary know of each other."""
    store.create(new_run("check", "north-1", {}, clock.now, origin="service"))
    room.presence.claim("north-1", "Ida", for_s=7200)
    clock.now = DUE
    row = next(r for r in room.mornings.now(DUE)["stations"] if r["station"] == "north-1")
    assert row["first_step"] == "Ask Ida to give the bench back; its check begins by itself then."
    assert row["claimed_by"] == "Ida"


def test_a_second_check_under_way_does_not_hide_the_first(room: Room, store: RunStore, clock: Hands) -> None:
    """What was seen this morning counts."""
    kept_check(store, "north-1", clock.now)
    store.create(new_run("check", "north-1", {}, clock.forward(minutes=20), origin="service"))
    clock.now = DUE
    assert ("north-1", "ready") in rows(room.mornings.now(DUE))


def test_the_summary_is_made_once_at_its_hour_on_its_days(room: Room, store: RunStore, clock: Hands) -> None:
    """Not before, not twice, not at the weekend; a service that was down at the hour makes it late."""
    kept_check(store, "north-1", clock.now)
    assert room.mornings.make_due() is None
    clock.now = DUE
    assert room.mornings.make_due() == "2027-01-12"
    made = room.mornings.one("2027-01-12")
    kept_failure(store, "north-1", clock.forward(minutes=1))
    assert room.mornings.make_due() is None
    assert room.mornings.one("2027-01-12") == made  # as it was made
    clock.now = DUE.replace(day=13, hour=9)
    assert room.mornings.make_due() == "2027-01-13"
    clock.now = DUE.replace(day=14, hour=23)
    assert room.mornings.make_due() is None  # half a day late is too late
    clock.now = DUE.replace(day=16)
    assert room.mornings.make_due() is None  # a Saturday
    assert room.mornings.dates() == ["2027-01-13", "2027-01-12"]
    with pytest.raises(NotFound, match="2027-01-13, 2027-01-12"):
        room.mornings.one("2027-01-16")


def test_two_services_make_one_summary(store: RunStore, clock: Hands) -> None:
    """Each with its own eyes on one database; the deliveries are there once too."""
    target = MailTarget("teachers", ("ida@harbour.example",), "b@harbour.example", "127.0.0.1", 25, "none")
    plan = MorningPlan(at="07:30", zone="Europe/Berlin", to=(target,))
    clock.now = DUE

    class Late(Mornings):
        def dates(self, limit: int = 400) -> list[str]:
            return [][:limit]  # looked before the other one had written

    first, second = (room_of(store, [station()], clock, plan).mornings for _ in range(2))
    late = Late(**{name: getattr(second, name) for name in Mornings.__dataclass_fields__})
    assert [first.make_due(), late.make_due()] == ["2027-01-12", None]
    assert [d["target"] for d in first.one("2027-01-12")["deliveries"]] == ["teachers"]


def test_drifts_that_end_soon_and_what_stands_out_are_told(room: Room, store: RunStore, clock: Hands) -> None:
    """Before any limit is crossed: four weeks ahead."""
    for day in range(20):
        clock.now = datetime(2027, 1, 12, 5, 45, tzinfo=UTC).replace(day=day + 1)
        for name in NAMES:
            drift = 0.003 * day if name == "north-2" else 0.0
            wobble = 0.0005 * ((day * 7 + len(name)) % 5 - 2)
            kept_check(store, name, clock.now, {"to_target.probe_factor": 1.0 + drift + wobble})
    document = room.mornings.now()
    assert len(document["soon"]) == 1
    assert document["soon"][0].startswith("north-2, probe factor of the to-target line: ")
    assert "good until about" in document["soon"][0]
    assert any("north-2" in sentence for sentence in document["standing_out"])
    assert "Soon" in morning_text(document)


def test_a_sudden_step_is_told_before_any_limit_is_crossed(room: Room, store: RunStore, clock: Hands) -> None:
    """As long as it is news, and only where it took a good part of the room to the limit (0.1 V here)."""
    start = clock.now
    for day in range(14):
        clock.now = start + timedelta(days=day)
        wobble = 0.0002 * ((day * 7) % 5 - 2)
        far, near = (0.05, 0.012) if day >= 10 else (0.004, 0.004)
        kept_check(store, "north-1", clock.now, {"to_target.zero": far + wobble})
        kept_check(store, "north-2", clock.now, {"to_target.zero": near + wobble})
    document = room.mornings.now()
    (told,) = document["changed"]
    assert told.startswith("north-1, zero of the to-target line: ")
    assert "jumped by 46 mV on 2027-01-22" in told
    assert dict(rows(document))["north-1"] == "ready"
    assert "Changed suddenly" in morning_text(document)
    clock.forward(days=20)
    kept_check(store, "north-1", clock.now, {"to_target.zero": 0.05})
    assert room.mornings.now()["changed"] == []


def test_a_steady_room_has_no_sudden_steps() -> None:
    """None in 600 numbers that scatter by a sixth of the way to their limit: 24 stations with 25 each."""
    rng = np.random.default_rng(9)
    told = 0
    for _ in range(600):
        steady = course(list(1 + rng.normal(scale=0.01, size=int(rng.integers(8, 60)))), 0.94, 1.06)
        told += steady.jumped_at is not None and used_up(steady) >= WORTH_TELLING
    assert told == 0
