"""Station checks over HTTP and by the command, against a simulated bench over real sockets."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.cli.main import run as command
from service.locks import StationLocks
from service.run_record import moment_of
from service.scheduler import read_schedules
from service.settings import read_settings
from service.stations import load_stations
from service.web.serving import serving
from service.wiring import build
from tests.whole.benches import one_bench
from tests.whole.over_http import STATIONS, finished

MORNING = """
[[schedule]]
name = "each-morning"
cron = "30 6 * * 1-5"
zone = "Europe/Berlin"
run = "check"
stations = ["north-*"]
"""


@dataclass(frozen=True)
class Lab:
    """A service with one good station, and the files that a command would use beside it."""

    api: httpx.Client
    stations: Path
    folder: Path

    def command(self, *words: str) -> int:
        data = ("--data", str(self.folder / "by-hand"))
        return command(["check", *words, "--stations", str(self.stations), *data])


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    folder = tmp_path_factory.mktemp("harbour")
    with one_bench(seed=23) as bench:
        stations = folder / "harbour.toml"
        text = STATIONS.format(scope=bench.addresses.hislip, serial=bench.addresses.serial)
        stations.write_text(text + MORNING)
        given = {"data": folder / "data", "stations": stations, "port": 0, "locks": folder / "locks"}
        with (
            serving(build(read_settings(given, {}))) as url,
            httpx.Client(base_url=f"{url}/api/v1", timeout=50) as client,
        ):
            yield Lab(client, stations, folder)


@pytest.fixture(scope="module")
def checked(lab: Lab) -> dict[str, Any]:
    """One finished check."""
    asked = lab.api.post("/stations/north-1/checks")
    assert asked.status_code == 202
    return finished(lab.api, asked.headers["Location"].removeprefix("/api/v1"))


def test_a_check_is_a_run_with_a_document_a_verdict_and_a_report(lab: Lab, checked: dict[str, Any]) -> None:
    """contract.md 3b and 6; the report is one file and says first what to do."""
    assert (checked["kind"], checked["state"], checked["verdict"]) == ("check", "done", "pass")
    document = checked["result"]
    assert (document["outcome"], document["first_step"]) == ("ready", "Nothing to do.")
    assert document["station"] == "north-1"
    report = lab.api.get(f"/runs/{checked['id']}/report")
    assert report.status_code == 200
    page = report.text
    assert page.index("Nothing to do.") < page.index("What was checked")
    assert "<script" not in page
    assert page.count('<svg class="gauge"') > 10
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_the_station_shows_its_last_check_and_the_history_has_its_numbers(
    lab: Lab, checked: dict[str, Any]
) -> None:
    """`GET /stations`: what the station may be used for."""
    station = lab.api.get("/stations/north-1").json()
    assert station["last_check"]["outcome"] == "ready"
    assert station["last_check"]["href"].endswith(checked["id"])


def test_an_unknown_part_is_refused_with_those_that_there_are(lab: Lab) -> None:
    """A mistake is told at the door, not by a run that fails later."""
    answer = lab.api.post("/stations/north-1/checks", json={"only": ["traffik"]})
    assert answer.status_code in (400, 422)
    assert "traffic" in answer.json()["detail"]


def test_each_morning_at_half_past_six_a_check_is_due_by_the_stations_file(lab: Lab) -> None:
    """Berlin is UTC+1 in winter: 05:30 UTC, on weekdays (IANA time zone data)."""
    (found,) = lab.api.get("/schedules").json()
    assert (found["name"], found["kind"]) == ("each-morning", "check")
    from service.schedules import schedule_from

    schedule = schedule_from(read_schedules(lab.stations)[0], ("check",), ("north-1",))
    due = schedule.next_after(datetime(2027, 1, 11, 12, tzinfo=UTC))
    assert due == moment_of("2027-01-12T05:30:00Z", "due")


def test_the_command_prints_one_document_and_gives_the_outcomes_exit_code(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    """contract.md 3b: 0 ready; --json prints exactly one JSON document, people's words go elsewhere."""
    assert lab.command("north-1", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["outcome"] == "ready"
    assert Path(document["run"]["report"]).exists()


def test_all_stations_are_a_list_with_the_worst_code(lab: Lab, capsys: pytest.CaptureFixture[str]) -> None:
    """One station is there, another is not: 4, not seen; the list keeps the file's order."""
    gone = lab.stations.read_text().split("[[schedule]]")[0].replace('"north-1"', '"north-2"')
    both = lab.folder / "both.toml"
    away = [line for line in gone.splitlines() if not line.startswith(("scope", "serial"))]
    away[2:2] = ['scope = "TCPIP::127.0.0.1::9::SOCKET"', 'serial = "socket://127.0.0.1:9"']
    both.write_text(lab.stations.read_text().split("[[schedule]]")[0] + "\n".join(away) + "\n")
    assert command(["check", "--all", "--json", "--only", "instrument", "--stations", str(both),
                    "--data", str(lab.folder / "by-hand")]) == 4  # fmt: skip
    documents = json.loads(capsys.readouterr().out)
    assert [d["station"] for d in documents] == ["north-1", "north-2"]
    assert [d["outcome"] for d in documents] == ["ready", "not-seen"]


def test_a_station_that_somebody_has_leaves_the_others_their_documents(
    lab: Lab, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two names for one bench: the second waits for the lock of the first in vain."""
    monkeypatch.setenv("BENCHWARDEN_LOCK_WAIT_S", "0")
    monkeypatch.setenv("BENCHWARDEN_LOCKS", str(lab.folder / "locks"))
    first = lab.stations.read_text().split("[[schedule]]")[0]
    away = first.replace('"north-1"', '"north-2"').splitlines()
    away = [line for line in away if not line.startswith(("scope", "serial"))]
    away[2:2] = ['scope = "TCPIP::127.0.0.1::9::SOCKET"', 'serial = "socket://127.0.0.1:9"']
    both = lab.folder / "held.toml"
    both.write_text(first + "\n".join(away) + "\n")
    scope = load_stations(both)[0].scope
    words = ("check", "--all", "--json", "--only", "instrument", "--stations", str(both))
    with StationLocks(lab.folder / "locks").holding("north-1", scope):
        assert command([*words, "--data", str(lab.folder / "by-hand")]) == 4
    held, gone = json.loads(capsys.readouterr().out)
    assert [f["code"] for f in held["findings"]] == ["not-checked"]
    assert [f["code"] for f in gone["findings"]] == ["scope-silent"]


def test_people_read_the_outcome_and_the_first_step_first(
    lab: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    """Plain words, then the numbers; a part alone says that it is one, and for how long nothing."""
    assert lab.command("north-1", "--only", "instrument,idle") == 0
    page = capsys.readouterr().out.splitlines()
    assert page[0] == "north-1: nothing wrong in what was looked at (instrument, idle)"
    assert page[2] == "First: Nothing to do."
    assert not any(line.startswith("Holds until") for line in page)


@pytest.mark.parametrize("words", [(), ("north-1", "--all"), ("north-1", "north-2", "--json")])
def test_stations_that_are_named_wrongly_are_bad_usage(lab: Lab, words: tuple[str, ...]) -> None:
    """Exit code 2."""
    assert lab.command(*words) == 2
