"""Things have names, places and states; from `out` to `in-use` leads one way only, a check that passed."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from service import room_tables as r
from service.errors import BadInput, Conflict, NotFound, UnknownStation
from service.pipeline.findings import Finding
from service.room.inventory import Inventory
from service.room.items import IN_REPAIR, IN_USE, ITEM_KINDS, LINES, OUT, PRACTICE_ONLY, STATES
from service.store import RunStore
from tests.service.room.papers import Hands, kept_check

WHO = "Ida"


def proven(inventory: Inventory, store: RunStore, clock: Hands, item: str = "P-1") -> None:
    """A probe on north-1's to-target line that is in use."""
    inventory.add(item, "probe", "black clip", WHO)
    inventory.place(item, "north-1", WHO, "to_target")
    kept_check(store, "north-1", clock.forward(minutes=1))
    clock.forward(minutes=5)
    assert inventory.settle() == [item]


def test_a_new_thing_is_for_practice_only_until_a_check_has_passed_with_it(
    inventory: Inventory, store: RunStore, clock: Hands
) -> None:
    """ISO/IEC 17025:2017 6.4.4 (from memory): verified before it is put into service."""
    inventory.add("P-1", "probe", "black clip", WHO)
    kept_check(store, "north-1", clock.forward(minutes=1))
    assert inventory.settle() == []  # it is nowhere
    clock.forward(minutes=1)
    inventory.place("P-1", "north-1", WHO, "to_target")
    assert inventory.settle() == []  # the check was before it came there
    run = kept_check(store, "north-1", clock.forward(minutes=1))
    assert inventory.settle() == ["P-1"]
    assert (inventory.one("P-1").state, inventory.log_of("P-1")[0].details["run"]) == (IN_USE, run.id)
    assert inventory.settle() == []


@pytest.mark.parametrize("state", [OUT, IN_REPAIR])
def test_what_was_out_comes_back_only_through_a_check_that_passed(
    inventory: Inventory, store: RunStore, clock: Hands, state: str
) -> None:
    """Asking for it makes it practice only; a check that began before the asking does not count."""
    proven(inventory, store, clock)
    inventory.set_state("P-1", state, WHO, "clip arced")
    began_before = clock.forward(minutes=1)
    clock.forward(minutes=1)
    assert inventory.set_state("P-1", IN_USE, WHO, "new clip").state == PRACTICE_ONLY
    kept_check(store, "north-1", began_before, took_s=3600)
    assert inventory.settle() == []
    kept_check(store, "north-1", clock.forward(minutes=1), {"to_target.probe_factor": 1.3})
    assert inventory.settle() == []  # it failed
    kept_check(store, "north-2", clock.forward(minutes=1))
    assert inventory.settle() == []  # another station
    kept_check(store, "north-1", clock.forward(minutes=1), only="trigger")
    assert inventory.settle() == []  # not the whole check
    kept_check(store, "north-1", clock.forward(minutes=1))
    assert inventory.settle() == ["P-1"]


def test_no_way_leads_from_out_to_in_use_without_a_check_that_passed(
    inventory: Inventory, store: RunStore, clock: Hands
) -> None:
    """Random acts of persons: whenever the thing comes into use, a fresh check stands behind it."""
    inventory.add("P-1", "probe", "", WHO)
    chance = random.Random(20270111)
    last_bad = last_move = clock.now
    good_checks: list[tuple[str, float]] = []
    in_use = 0
    for _ in range(300):
        clock.forward(minutes=1)
        act = chance.choice(["state", "state", "place", "check", "check", "settle", "settle"])
        before = inventory.one("P-1")
        if act == "state":
            wanted = chance.choice([*STATES, IN_USE, IN_USE])
            inventory.set_state("P-1", wanted, WHO, "because")
            if wanted in (OUT, IN_REPAIR):
                last_bad = clock.now
        elif act == "place":
            inventory.place("P-1", chance.choice(["north-1", "north-2"]), WHO, chance.choice(LINES))
            last_move = clock.now
        elif act == "away":
            inventory.take_away("P-1", WHO)
        elif act == "check":
            value = chance.choice([1.0, 1.3])
            at = chance.choice(["north-1", "north-2"])
            both = {f"{line}.probe_factor": value for line in LINES}
            kept_check(store, at, clock.now, both, took_s=1)
            if value == 1.0:
                good_checks.append((at, clock.now.timestamp()))
        else:
            inventory.settle()
        after = inventory.one("P-1")
        if after.state == IN_USE and before.state != IN_USE:
            in_use += 1
            assert act == "settle"
            assert after.placement is not None
            since = max(last_bad, last_move).timestamp() if after.placement.since else 0.0
            assert any(at == after.placement.station and when >= since for at, when in good_checks)
    assert in_use >= 5


def test_two_probes_change_places_and_each_takes_its_history_with_it(
    inventory: Inventory, clock: Hands
) -> None:
    """Placing one where another is takes the other away; both logs say so, with author and time."""
    for name, line in (("P-1", "to_target"), ("P-2", "from_target")):
        inventory.add(name, "probe", "", WHO)
        inventory.place(name, "north-1", WHO, line)
    clock.forward(hours=1)
    moved = inventory.place("P-1", "north-1", "Ben", "from_target")
    assert moved.placement is not None
    assert (moved.placement.channel, moved.placement.who) == ("2", "Ben")
    assert inventory.one("P-2").placement is None
    assert "P-1 came in its place" in inventory.log_of("P-2")[0].text
    inventory.place("P-2", "north-1", "Ben", "to_target")
    spans = [(p.place, p.since, p.until) for p in inventory.placements(item="P-1")]
    assert spans == [
        ("to_target", "2027-01-11T08:00:00.000Z", "2027-01-11T09:00:00.000Z"),
        ("from_target", "2027-01-11T09:00:00.000Z", None),
    ]
    assert [i.id for i in inventory.all(station="north-1")] == ["P-1", "P-2"]


def test_the_database_itself_keeps_one_thing_to_one_place(inventory: Inventory, store: RunStore) -> None:
    """Whatever the programs believe: neither two places for a thing nor two things in a place."""
    for name in ("P-1", "P-2"):
        inventory.add(name, "probe", "", WHO)
    inventory.place("P-1", "north-1", WHO, "to_target")
    row = {"item": "P-1", "station": "north-2", "place": "to_target", "since": "x", "who": WHO}
    for second in (row, {**row, "item": "P-2", "station": "north-1"}):
        with pytest.raises(sa.exc.IntegrityError), store.database.changing() as connection:
            connection.execute(sa.insert(r.placements).values(second))


def test_another_scope_that_answers_is_found_in_the_inventory_and_written_down(
    inventory: Inventory, clock: Hands
) -> None:
    """Two scopes exchanged overnight: their places follow what answered; an unknown one is named as such."""
    for name, station, serial in (("S-1", "north-1", "1041"), ("S-2", "north-2", "1042")):
        inventory.add(name, "scope", "", WHO, serial)
        inventory.place(name, station, WHO)
    at = "2027-01-11T09:00:00.000Z"
    clock.forward(hours=1)
    assert inventory.scope_answered("north-1", "1041", "run-a", at) is None
    assert inventory.scope_answered("north-1", "1042", "run-b", at) == (
        "scope S-2 answers at north-1, not S-1"
    )
    placement = inventory.one("S-2").placement
    assert placement is not None
    assert (placement.station, placement.who) == ("north-1", "station check")
    assert inventory.one("S-1").placement is None
    told = inventory.scope_answered("north-1", "7777", "run-c", at)
    assert told == "a scope with serial number 7777 answers at north-1; it is in no inventory"
    assert inventory.log_of("S-2")[0].text == told


def test_the_newest_check_of_each_station_is_held_against_the_inventory_once(
    inventory: Inventory, store: RunStore, clock: Hands
) -> None:
    """What the check's document says of the instrument; a person's newer word is not overruled."""
    for name, station, serial in (("S-1", "north-1", "1041"), ("S-2", "north-2", "1042")):
        inventory.add(name, "scope", "", WHO, serial)
        inventory.place(name, station, WHO)
    clock.forward(minutes=1)
    kept_check(store, "north-1", clock.now, instrument={"serial": "1042"})
    kept_check(store, "north-2", clock.now, instrument=None)
    seen: dict[str, str] = {}
    assert inventory.notice_scopes(seen) == ["scope S-2 answers at north-1, not S-1"]
    assert inventory.notice_scopes(seen) == []
    clock.forward(minutes=1)
    inventory.place("S-1", "north-1", WHO)
    assert inventory.notice_scopes({}) == []
    assert [i.id for i in inventory.all(station="north-1")] == ["S-1"]


def test_a_scope_without_a_known_number_keeps_the_one_that_it_tells(inventory: Inventory) -> None:
    """Nobody has to copy serial numbers by hand."""
    inventory.add("S-1", "scope", "", WHO)
    inventory.place("S-1", "north-1", WHO)
    assert inventory.scope_answered("north-1", "1041", "run-a", "2027-01-11T09:00:00.000Z") is None
    assert inventory.one("S-1").identity == "1041"
    assert inventory.scope_answered("south-1", "5", "run-a", "2027-01-11T09:00:00.000Z") is None


def test_the_log_tells_everything_newest_first_with_author_and_time(
    inventory: Inventory, clock: Hands
) -> None:
    """Notes are words of persons and stay as they are."""
    inventory.add("B-1", "board", "spare", WHO)
    clock.forward(minutes=1)
    inventory.note("B-1", "<b>smells</b> =1+1", "Ben")
    inventory.set_state("B-1", OUT, "Ben", "smells")
    log = inventory.log_of("B-1")
    assert [(e.what, e.who) for e in log] == [("state", "Ben"), ("note", "Ben"), ("made", WHO)]
    assert (log[1].text, log[1].at) == ("<b>smells</b> =1+1", "2027-01-11T08:01:00.000Z")


def test_what_cannot_be_is_refused_with_what_could(inventory: Inventory) -> None:
    """Names, kinds, states, lines, stations, reasons."""
    inventory.add("P-1", "probe", "", WHO)
    inventory.add("S-1", "scope", "", WHO)
    acts: dict[type[Exception], list[Callable[[], object]]] = {
        Conflict: [lambda: inventory.add("P-1", "probe", "", WHO)],
        BadInput: [
            lambda: inventory.add("../x", "probe", "", WHO),
            lambda: inventory.add("X", "cable", "", WHO),
            lambda: inventory.place("P-1", "north-1", WHO),
            lambda: inventory.place("S-1", "north-1", WHO, "to_target"),
            lambda: inventory.set_state("P-1", "lost", WHO, "x"),
            lambda: inventory.set_state("P-1", OUT, WHO, "  "),
            lambda: inventory.note("P-1", "", WHO),
        ],
        UnknownStation: [lambda: inventory.place("P-1", "north-9", WHO, "to_target")],
        NotFound: [lambda: inventory.one("P-9"), lambda: inventory.log_of("P-9")],
    }
    for error, refused in acts.items():
        for act in refused:
            with pytest.raises(error):
                act()
    assert set(ITEM_KINDS) == {"scope", "probe", "bridge", "board", "pc", "supply"}


def test_a_finding_that_spoils_the_check_keeps_everything_there_waiting(
    inventory: Inventory, store: RunStore, clock: Hands
) -> None:
    """`practice-only` is no pass, of whatever it speaks."""
    for number, kind in enumerate(("scope", "bridge", "board", "pc", "supply"), 1):
        inventory.add(f"I-{number}", kind, "", WHO)
        inventory.place(f"I-{number}", "north-1", WHO)
    doubt = Finding("crosstalk", "bench", "warning", None, "m", "r", {})
    kept_check(store, "north-1", clock.forward(minutes=1), findings=[doubt])
    assert inventory.settle() == []
    kept_check(store, "north-1", clock.forward(minutes=1))
    assert inventory.settle() == [f"I-{n}" for n in itertools.islice(itertools.count(1), 5)]
