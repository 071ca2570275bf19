"""One scope's clock among a room's: found by the medians, and put on the right item."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest

from service.check.check import run_check
from service.check.context import Context
from service.check.items import make_item
from service.check.room_clocks import as_documents, in_sentences, suspects_of
from service.hooks import RunHooks
from simulator.bench import open_benches
from tests.whole.benches import station_of

U_PERCENT = 0.001


def paper(name: str, link_ppm: float, board_ppm: float) -> dict[str, Any]:
    """As much of a check's document as the room needs; ppm as the station's scope saw them."""
    items = [
        make_item("to_target.rate", link_ppm / 1e4, U_PERCENT, "bridge", low=-2, high=2),
        make_item("from_target.rate", board_ppm / 1e4, U_PERCENT, "board", low=-2, high=2),
    ]
    return {"station": name, "items": [{"name": i.name, "value": i.value, "u": i.u} for i in items]}


def room(off_ppm: float, part: str, board_ppm: float = 40.0) -> list[dict[str, Any]]:
    """Eight stations, crystals within 40 ppm or the boards' within more; at the fourth one part is off."""
    draw = np.random.default_rng(8)
    papers = []
    for number in range(1, 9):
        link, board, scope = draw.uniform(-40, 40), draw.uniform(-board_ppm, board_ppm), draw.uniform(-8, 8)
        off = {part: off_ppm} if number == 4 else {}
        scope += off.get("scope", 0.0)
        papers.append(
            paper(
                f"north-{number}",
                link + off.get("bridge", 0.0) - scope,
                board + off.get("board", 0.0) - scope,
            )
        )
    return papers


@pytest.mark.parametrize(
    ("part", "ppm"), [("scope", 200.0), ("scope", -200.0), ("bridge", 350.0), ("board", -350.0)]
)
def test_one_clock_among_those_of_eight_stations_is_put_on_the_right_item(part: str, ppm: float) -> None:
    """A5, 200 ppm of a scope: a terminal could never show it, two clocks and the room do."""
    (told,) = as_documents(suspects_of(room(ppm, part)))
    assert (told["station"], told["part"]) == ("north-4", part)
    assert told["off_ppm"] == pytest.approx(ppm, abs=60)


def test_a_scope_that_two_crystals_do_not_prove_to_be_off_is_told_as_probable() -> None:
    """Boards of 90 ppm spread, and two other stations with a broken clock each: 160 ppm is still told."""
    papers = room(160.0, "scope", board_ppm=90.0)
    papers[6], papers[7] = paper("north-7", 26_000.0, 20.0), paper("north-8", 10.0, -500_000.0)
    found = suspects_of(papers)
    told = {one["station"]: one for one in as_documents(found)}
    assert {name: (one["part"], one["sure"]) for name, one in told.items()} == {
        "north-4": ("scope", False),
        "north-7": ("bridge", True),
        "north-8": ("board", True),
    }
    assert "the scope's clock is probably" in in_sentences(found)["north-4"]
    assert "exchange its board" in in_sentences(found)["north-4"]


def test_a_room_in_which_most_clocks_are_broken_has_no_median() -> None:
    """Nobody is accused by it."""
    papers = [paper(f"north-{n}", 30_000.0 * n, 40_000.0 * n) for n in range(1, 6)]
    assert suspects_of(papers) == {}


def test_what_may_be_two_parts_is_told_with_both() -> None:
    """Silence would leave a scope of 200 ppm to be believed."""
    papers = room(0.0, "scope", board_ppm=90.0)
    papers[3] = paper("north-4", 230.0, 110.0)
    told = in_sentences(suspects_of(papers))["north-4"]
    assert told.startswith("north-4: the serial link's or the scope's clock is off")


def test_a_room_of_good_clocks_suspects_nobody() -> None:
    """Nor does one of three stations, where a median says nothing."""
    assert suspects_of(room(0.0, "scope")) == {}
    assert suspects_of(room(500.0, "scope")[2:5]) == {}


def test_a_station_that_was_not_seen_is_left_out() -> None:
    """Its document has no rates."""
    papers = [*room(200.0, "scope"), {"station": "south-1", "items": []}]
    assert list(suspects_of(papers)) == ["north-4"]


@pytest.mark.soak
def test_a_slow_scope_among_eight_benches_is_found() -> None:
    """The same over real sockets."""
    with (
        open_benches(count=8, bench="time-base-200ppm@sim-3", seed=31) as benches,
        ThreadPoolExecutor(4) as pool,
    ):
        documents = list(
            pool.map(lambda b: run_check(station_of(b), RunHooks(), Context(), ("traffic",)), benches)
        )
    (told,) = as_documents(suspects_of(documents))
    assert (told["station"], told["part"]) == ("sim-3", "scope")
    assert told["off_ppm"] == pytest.approx(-200, abs=80)
    assert [f["code"] for f in documents[2]["findings"]] == ["time-base-off"]
