"""What ends a station's status really ends it: each event happens at a bench, and the room hears of it by
itself.

Needs of this house, B5: lost link, power cycle, changed settings, moved item, failed run. A person acts at
the simulated bench, runs are asked for over HTTP, and `GET /stations/north-1` says what the station is good
for.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.settings import read_settings
from service.web.serving import serving
from service.wiring import build
from simulator.bench import Bench, open_benches
from tests.whole.over_http import STATIONS, finished


@dataclass(frozen=True)
class Lab:
    """A service and one bench."""

    api: httpx.Client
    bench: Bench
    switch_off: Callable[[], None]

    def check(self, *only: str) -> dict[str, Any]:
        return self._done("/stations/north-1/checks", {"only": list(only)} if only else {})

    def echo(self) -> dict[str, Any]:
        return self._done("/stations/north-1/echo-tests", {"send": {"text": "Tide 7"}})

    def standing(self) -> dict[str, Any]:
        told: dict[str, Any] = self.api.get("/stations/north-1").json()["standing"]
        return told

    def _done(self, place: str, body: dict[str, Any]) -> dict[str, Any]:
        asked = self.api.post(place, json=body)
        assert asked.status_code == 202, asked.text
        return finished(self.api, asked.headers["Location"].removeprefix("/api/v1"))


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    """A station that was checked just now and is ready, with its first probe in the inventory."""
    with contextlib.ExitStack() as power:
        (bench,) = power.enter_context(open_benches(count=1, seed=23))
        stations = tmp_path / "harbour.toml"
        stations.write_text(STATIONS.format(scope=bench.addresses.hislip, serial=bench.addresses.serial))
        given = {"data": tmp_path / "data", "stations": stations, "port": 0, "locks": tmp_path / "locks"}
        with (
            serving(build(read_settings(given, {}))) as url,
            httpx.Client(base_url=f"{url}/api/v1", timeout=50) as api,
        ):
            lab = Lab(api, bench, power.close)
            assert api.post("/items", json={"id": "P-1", "kind": "probe"}).status_code == 201
            place = {"station": "north-1", "line": "to_target"}
            assert api.put("/items/P-1/place", json=place).status_code == 200
            first = lab.check()["result"]
            assert (first["outcome"], first["findings"]) == ("ready", []), "the first meeting alarms nobody"
            assert lab.standing()["grading"]
            yield lab


def told(lab: Lab) -> tuple[str, list[str]]:
    standing = lab.standing()
    return standing["outcome"], [event["what"] for event in standing["broken_by"]]


def test_a_run_that_fails_because_of_the_bench_ends_the_status(lab: Lab) -> None:
    """A hand has thrown the switch of a probe; the check after it was put right makes the station ready
    again."""
    lab.bench.person.set_switch(2, 1)
    assert lab.echo()["verdict"] == "inconclusive"
    outcome, events = told(lab)
    assert (outcome, set(events)) == ("practice-only", {"run-failed"})
    lab.bench.person.set_switch(2, 10)
    lab.check()
    assert told(lab) == ("ready", [])


def test_a_good_run_leaves_the_status(lab: Lab) -> None:
    """Else no station would be good for a second run; nor does a look that finds nothing changed."""
    assert lab.echo()["verdict"] == "pass"
    lab.check("instrument")
    assert told(lab) == ("ready", [])


def test_settings_changed_by_hand_end_the_status(lab: Lab) -> None:
    """The next look at the panel notices, even if it looks at nothing else."""
    lab.bench.person.touch_panel("INP1:COUP AC;:TRIG:LEV 0.7")
    lab.check("instrument")
    assert told(lab) == ("practice-only", ["settings-changed"])


@pytest.mark.parametrize(
    ("hand", "words"),
    [
        ("SENS:SWE:TINT 2E-6", "record interval_s"),
        ("SENS:SWE:OREF:LOC 0.7", "trigger place"),
        ("SENS:SWE:OFFS:TIME 1E-3", "record reference"),
    ],
    ids=["sample interval", "trigger place", "reference"],
)
def test_a_changed_time_base_is_named(lab: Lab, hand: str, words: str) -> None:
    """Not the levels only: when samples are taken, and where the trigger lies among them."""
    lab.bench.person.touch_panel(hand)
    findings = lab.check("instrument")["result"]["findings"]
    assert [f["code"] for f in findings if words in f["message"]] == ["settings-touched"], findings
    assert told(lab) == ("practice-only", ["settings-changed"])


def test_a_scope_that_was_switched_off_and_on_ends_the_status(lab: Lab) -> None:
    """It has forgotten what it was set to (IEEE 488.2 11.5.1: bit 7 of the event register is power on).
    An echo test sets it up anew, so its verdict stands; a check that passes makes the station ready again."""
    lab.bench.person.power_cycle()
    run = lab.echo()
    (finding,) = run["result"]["findings"]
    assert (finding["code"], finding["side"], finding["severity"]) == ("power-cycled", "bench", "info")
    assert "warm up" in finding["remedy"]
    assert run["verdict"] == "pass"
    assert told(lab) == ("practice-only", ["power-cycled"])
    assert lab.echo()["result"]["findings"] == [], "it is told once"
    assert told(lab) == ("practice-only", ["power-cycled"]), "a good run is no check"
    assert lab.check()["result"]["findings"] == []
    assert told(lab) == ("ready", [])


def test_a_check_names_a_power_cycle_and_its_pass_counts(lab: Lab) -> None:
    """What is switched off every evening is no alarm every morning; a look at a part of it is no check."""
    lab.bench.person.power_cycle()
    looked = lab.check("instrument")["result"]
    assert [f["code"] for f in looked["findings"]] == ["power-cycled"]
    assert told(lab) == ("practice-only", ["power-cycled"])
    lab.bench.person.power_cycle()
    whole = lab.check()["result"]
    assert [f["code"] for f in whole["findings"]] == ["power-cycled"]
    assert (whole["outcome"], whole["first_step"]) == ("ready", "Nothing to do.")
    assert told(lab) == ("ready", [])


def test_settings_changed_after_an_echo_test_end_the_status(lab: Lab) -> None:
    """The next run notices, whatever ran before: an echo test leaves the scope as it needed it."""
    assert lab.echo()["result"]["findings"] == []
    lab.bench.person.touch_panel("TRIG:LEV 0.7")
    run = lab.echo()
    assert (run["verdict"], [f["code"] for f in run["result"]["findings"]]) == ("pass", ["settings-touched"])
    assert told(lab) == ("practice-only", ["settings-changed"])


def test_a_probe_that_is_moved_ends_the_status(lab: Lab) -> None:
    """By the inventory as soon as somebody says so; by the next run when nobody did."""
    assert (
        lab.api.put("/items/P-1/place", json={"station": "north-1", "line": "from_target"}).status_code == 200
    )
    outcome, events = told(lab)
    assert (outcome, set(events)) == ("practice-only", {"item-moved"})
    lab.check()
    assert told(lab) == ("ready", [])
    lab.bench.person.move_probe(2, "floating")
    lab.echo()
    outcome, events = told(lab)
    assert (outcome, set(events)) == ("practice-only", {"run-failed"})


def test_a_bench_that_cannot_be_reached_is_not_seen(lab: Lab) -> None:
    """Whoever asks for a run finds out, and so does everybody after."""
    lab.switch_off()
    assert lab.echo()["state"] == "error"
    assert told(lab) == ("not-seen", ["not-reachable"])


def test_a_probe_that_was_out_comes_back_only_by_a_check_of_its_bench(lab: Lab) -> None:
    """G4, through every door of the house: out, mended, asked for, and only then shown to be good. The bench
    really is at fault in between: its check leaves the probe where it is."""

    def state(wanted: str) -> None:
        body = {"state": wanted, "because": "clip arced"}
        assert lab.api.put("/items/P-1/state", json=body).status_code == 200

    state("out")
    assert told(lab)[0] == "not-usable"
    assert lab.check()["result"]["outcome"] == "ready", "the check sees no fault, the room knows of one"
    assert told(lab)[0] == "not-usable"
    state("in-use")
    assert lab.standing()["outcome"] == "practice-only"
    lab.bench.person.set_switch(1, 1)
    lab.check()
    assert lab.api.get("/items/P-1").json()["state"] == "practice-only"
    lab.bench.person.set_switch(1, 10)
    lab.check()
    assert told(lab) == ("ready", [])
    item = lab.api.get("/items/P-1").json()
    assert (item["state"], item["log"][0]["what"]) == ("in-use", "proved")
