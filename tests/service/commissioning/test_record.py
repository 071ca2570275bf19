"""The record of a commissioning: written, read again, and compared with a later one."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from drivers.scope.dialect_reader import load_dialect
from service.commissioning.commission import Wishes, commission
from service.commissioning.outcome import DIFFERS, FAILS, WORKS
from service.commissioning.record import differences, document, fingerprint, read_record
from service.errors import BadInput
from simulator.bench import open_benches


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    """One commissioning of a simulated scope, as JSON makes of it."""
    with open_benches(seed=41) as (bench,):
        done = commission(Wishes(bench.addresses.hislip, "scpi-1999", skip=("transfer",)))
    found: dict[str, Any] = json.loads(json.dumps(document(done)))
    return found


@pytest.fixture
def later(record: dict[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(record)


def told(then: dict[str, Any], now: dict[str, Any]) -> list[tuple[str, str]]:
    return [(d.kind, d.about) for d in differences(then, now)]


def test_the_same_scope_a_day_later_differs_in_nothing(record: dict[str, Any], later: dict[str, Any]) -> None:
    """The time of day, the port and a few per cent in timings are no differences."""
    later["taken_at"], later["resource"] = "2027-01-12T06:31:08Z", "TCPIP::192.0.2.17::5025::SOCKET"
    later["timings"] = {name: value * 1.3 for name, value in later["timings"].items() if name.endswith("_s")}
    assert told(record, later) == []


def test_another_instrument_its_firmware_and_its_options_are_told_apart(
    record: dict[str, Any], later: dict[str, Any]
) -> None:
    """Another serial number is another scope; new firmware is the same one, to be commissioned again."""
    later["identity"] |= {"serial": "HS9999", "firmware": "1.1"}
    later["options"] = "MEM2"
    assert told(record, later) == [("identity", "serial"), ("firmware", "firmware"), ("options", "options")]
    assert differences(record, later)[1].then == record["identity"]["firmware"]


def test_a_line_that_got_worse_is_told_and_one_that_got_better_is_not(
    record: dict[str, Any], later: dict[str, Any]
) -> None:
    """Only what costs trust; lines that were not tried this time say nothing."""
    later["lines"][3]["outcome"], later["lines"][4]["outcome"] = FAILS, DIFFERS
    assert told(record, later) == [("line", later["lines"][3]["line"]), ("line", later["lines"][4]["line"])]
    assert told(later, record) == []
    del later["lines"][3], later["lines"][3]
    assert told(record, later) == []


@pytest.mark.parametrize(
    ("name", "then", "now", "is_told"),
    [
        ("round_trip_s", 0.002, 0.009, True),
        ("round_trip_s", 0.002, 0.0055, False),  # under three times
        ("round_trip_s", 0.0002, 0.002, False),  # ten times, but 1.8 ms: a busy host
        ("round_trip_s", 0.009, 0.002, False),  # it got faster
        ("bytes_per_s", 9e6, 2e6, True),
        ("bytes_per_s", 9e6, 4e6, False),
        ("set_up_round_trips", 4, 5, True),
    ],
)
def test_timings_are_told_when_they_are_three_times_as_bad(
    name: str, then: float, now: float, is_told: bool
) -> None:
    """A network that became slow, a memory that comes over at a third: somebody should look."""
    found = differences({"timings": {name: then}}, {"timings": {name: now}})
    assert bool(found) is is_told
    assert differences({"timings": {name: then}}, {"timings": {}}) == ()


def test_a_record_is_read_as_it_was_written(record: dict[str, Any], tmp_path: Path) -> None:
    """And a file that is none is refused by name."""
    path = tmp_path / "north-1.json"
    path.write_text(json.dumps(record), encoding="utf-8")
    assert read_record(path) == record
    assert record["outcome"] == WORKS
    assert all(line["seconds"] >= 0 for line in record["lines"])
    for text in ("{", "[]", '{"schema": 2, "kind": "commissioning"}', '{"schema": 1}'):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(BadInput, match=r"north-1\.json"):
            read_record(path)
    with pytest.raises(BadInput, match="cannot be read"):
        read_record(tmp_path / "missing.json")


def test_a_dialect_is_the_same_wherever_it_lies_and_another_once_a_word_changes(tmp_path: Path) -> None:
    """A copy with other comments speaks the same; one other command does not."""
    shipped = load_dialect("scpi-1999")
    text = Path(__file__).parents[3].joinpath("drivers/scope/dialects/scpi-1999.toml").read_text("utf-8")
    copy_of_it = tmp_path / "copy.toml"
    copy_of_it.write_text("# mine\n" + text, encoding="utf-8")
    assert fingerprint(load_dialect(copy_of_it)) == fingerprint(shipped)
    copy_of_it.write_text(text.replace('"ABOR", "INIT"', '"INIT"'), encoding="utf-8")
    assert fingerprint(load_dialect(copy_of_it)) != fingerprint(shipped)
