"""What the room's local officer has entered stands where hands are at a bench."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from service.check.cautions import VERSION
from service.errors import BadStationsFile
from service.room_rules import NOT_ENTERED, RoomRules, all_of, read_room, urgent
from service.stations import load_stations
from service.toml_tables import Place
from tests.service.bench_of_straw import station_toml

ENTERED = {
    "emergency": "112, then the porter, 4711",
    "cut_off": "the red button beside the door",
    "approved_by": "I. Holm, laboratory officer",
    "approved_on": "2027-01-04",
    "rules": "the sheet on the inside of the door",
}
STATION = station_toml()


def room(**changes: object) -> RoomRules | None:
    return read_room({**ENTERED, **changes}, Place("stations.toml", table="room"))


def test_every_station_of_the_file_has_its_room(tmp_path: Path) -> None:
    """One table for all of them."""
    table = "[room]\n" + "".join(f'{key} = "{value}"\n' for key, value in ENTERED.items())
    path = tmp_path / "stations.toml"
    path.write_text(table + STATION, encoding="utf-8")
    (station,) = load_stations(path)
    assert station.room == RoomRules(**ENTERED)


def test_emergency_and_cut_off_come_first_and_the_approver_is_named_with_the_version() -> None:
    """Needs of this house, section 9: numbers, cut-off place, version and local approver."""
    said = all_of(room())
    assert said[:2] == urgent(room()) == (
        "Emergency: 112, then the porter, 4711.",
        "Cut-off: the red button beside the door.",
    )  # fmt: skip
    assert said[-1] == f"Cautions: version {VERSION}, approved by I. Holm, laboratory officer on 2027-01-04."


def test_where_nobody_has_entered_them_it_is_said_plainly() -> None:
    """And never made up."""
    assert read_room(None, Place("stations.toml")) is None
    assert urgent(None) == ()
    assert all_of(None)[0] == NOT_ENTERED
    assert "approved by nobody" in all_of(None)[1]


def test_a_day_may_be_written_as_toml_writes_days() -> None:
    """Without quotes."""
    assert room(approved_on=date(2027, 1, 4)) == room()


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"approved_by": " "}, "key room.approved_by: must be the name of the local officer"),
        ({"approved_on": "spring"}, "key room.approved_on: must be a day"),
        ({"emergency": 112}, "key room.emergency: must be the numbers to call"),
        ({"cutoff": "door"}, "key room.cutoff: unknown key, did you mean 'cut_off'?"),
    ],
)
def test_what_is_wrong_is_named_with_its_key(changes: dict[str, object], told: str) -> None:
    """Half an entry is none: an approver must stand behind the numbers."""
    with pytest.raises(BadStationsFile, match="room") as raised:
        room(**changes)
    assert told in str(raised.value)


def test_a_part_that_is_missing_is_asked_for() -> None:
    """No emergency numbers without a cut-off place."""
    table = {key: value for key, value in ENTERED.items() if key != "cut_off"}
    with pytest.raises(BadStationsFile, match="cut_off: is missing"):
        read_room(table, Place("stations.toml", table="room"))
