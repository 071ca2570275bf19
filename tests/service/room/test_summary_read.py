"""The morning summary as it is read: by somebody in a hurry, on paper, without colour, in a mail program."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest

from service.pipeline.findings import Finding
from service.report.morning_page import render_morning
from service.report.morning_text import morning_text
from service.room.inventory import Inventory
from service.room.morning import in_order_of_persons
from service.room.morning_plan import MorningPlan
from service.room.room import Room, room_of
from service.store import RunStore
from tests.service.bench_of_straw import NAMES, station
from tests.service.room.papers import Hands, kept_check, kept_failure

ROOM = tuple(f"{side}-{n}" for side in ("north", "south") for n in range(1, 13))
PLAN = MorningPlan(at="07:30", zone="Europe/Berlin", days="1-5", checks_start="06:45")
HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e=1+1"
SWITCH = "Set the switch on the probe to 10x."


@pytest.fixture
def clock() -> Hands:
    return Hands(datetime(2027, 1, 12, 5, 45, tzinfo=UTC))


@pytest.fixture
def room(store: RunStore, clock: Hands) -> Room:
    return room_of(store, [station(name) for name in NAMES], clock, PLAN)


@pytest.fixture
def big_room(store: RunStore, clock: Hands) -> Room:
    """24 stations: three closed (south-2 and north-10 not usable, north-9 away), one for practice, one
    claimed."""
    bad = Finding("probe-ratio", "bench", "fail", None, "reads a tenth", SWITCH, {})
    odd = Finding("noisy", "bench", "warning", None, "noise", "Keep the leads apart.", {})
    for name in ROOM:
        if name == "north-9":
            kept_failure(store, name, clock.now, kind="check")
        elif name in ("south-2", "north-10"):
            steps = [SWITCH, "Try another probe.", "Try another scope.", "Send it for repair."]
            values = {"to_target.probe_factor": 10.0}
            kept_check(store, name, clock.now, values, findings=[bad], steps=steps)
        else:
            kept_check(store, name, clock.now, findings=[odd] if name == "north-2" else ())
    made = room_of(store, [station(name) for name in ROOM], clock, PLAN)
    made.presence.claim("south-3", "Ada")
    clock.forward(minutes=30)
    return made


def test_a_teacher_names_the_closed_benches_from_the_first_lines(big_room: Room) -> None:
    """B7: in the first ten lines of the mail, in full, closed ones before all others."""
    document = big_room.mornings.now()
    assert document["closed"] == ["north-9", "north-10", "south-2"]
    first = morning_text(document).splitlines()[:10]
    assert "[??] Closed, not seen:   north-9" in first
    assert "[XX] Closed, not usable: north-10, south-2" in first
    assert "[~~] For practice only:  north-2" in first
    page = render_morning(document)
    assert page.index("Closed, not usable") < page.index("What to do, worst first")


def test_every_station_stands_in_the_room_at_a_glance_once(big_room: Room) -> None:
    """Ready ones only there; who is at a bench beside its name."""
    text = morning_text(big_room.mornings.now())
    glance, _, todo = text.partition("What to do, worst first")
    for name in ROOM:
        assert len(re.findall(rf"{name}\b", glance)) == 1, name
    assert "south-3 (Ada is there)" in " ".join(glance.split())
    assert len(re.findall("First: ", todo)) == 4
    assert "south-4" not in todo


def test_an_assistant_reads_what_to_do_next_when_the_first_step_was_not_it(big_room: Room) -> None:
    """Three steps and why; then how the station gets back. JSON has all steps."""
    document = big_room.mornings.now()
    text = morning_text(document)
    part = text[text.index("[XX] south-2") : text.index("[~~] north-2: ")]
    words = [line.split(": ")[0].strip() for line in part.splitlines() if ": " in line][1:]
    assert words == ["First", "Then", "Then", "Why"]
    assert "Send it for repair." not in text
    row = next(row for row in document["stations"] if row["station"] == "south-2")
    assert row["next_steps"][-1] == "Send it for repair."
    assert '"benchwarden check north-9"' in " ".join(text.split())


def test_what_the_list_says_already_is_not_said_again_for_the_whole_room(big_room: Room) -> None:
    """A channel that stands out on a station that is closed anyway; on one that is ready it is news."""
    assert big_room.mornings.now()["standing_out"] == []


def test_names_are_sorted_as_persons_sort_them() -> None:
    """north-2 before north-10."""
    names = ["north-10", "south-1", "north-2", "7", "bench", "north-2b"]
    assert sorted(names, key=in_order_of_persons) == [
        "7",
        "bench",
        "north-2",
        "north-2b",
        "north-10",
        "south-1",
    ]


def test_the_page_stands_alone_and_hostile_words_are_text(
    room: Room, store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """No script, no link, nothing from elsewhere; states by word and shape; all words are in it."""
    finding = Finding("probe-ratio", "bench", "fail", None, HOSTILE, HOSTILE, {})
    kept_check(store, "north-1", clock.now, findings=[finding])
    inventory.add("P-1", "probe", HOSTILE, HOSTILE)
    inventory.place("P-1", "north-2", HOSTILE, "to_target")
    inventory.set_state("P-1", "out", HOSTILE, HOSTILE)
    room.presence.claim("north-1", HOSTILE)
    document = room.mornings.now()
    page, text = render_morning(document), morning_text(document)
    seen = _Seen()
    seen.feed(page)
    assert not seen.tags & {"script", "img", "link", "iframe", "form", "a", "object"}
    assert seen.links == []
    assert "&lt;script&gt;" in page
    for output in (page, text):
        assert "\x1b" not in output
        assert "\u202e" not in output
        for row in document["stations"]:
            assert row["state"] in output
    troubled = [row for row in document["stations"] if row["outcome"] != "ready"]
    assert page.count("<svg") == len({row["outcome"] for row in document["stations"]}) + len(troubled)
    assert re.search(r"http-equiv=\"Content-Security-Policy\" content=\"default-src &#39;none&#39;", page)
    assert "@media print" in page
    assert max(len(line) for line in text.splitlines()) <= 76


class _Seen(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [value or "" for name, value in attrs if name in ("href", "src", "action", "style")]
