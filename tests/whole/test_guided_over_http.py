"""A guided check over HTTP: somebody follows the run's events at the bench and does what they say."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.settings import read_settings
from service.web.serving import serving
from service.wiring import build
from simulator.bench import Bench
from tests.service.check.hands import Hands, deeds_of
from tests.whole.benches import one_bench
from tests.whole.over_http import STATIONS, finished


@pytest.fixture
def bench() -> Iterator[Bench]:
    with one_bench(seed=51) as one:
        yield one


def settings_of(folder: Path, bench: Bench) -> dict[str, Any]:
    stations = folder / "harbour.toml"
    stations.write_text(STATIONS.format(scope=bench.addresses.socket, serial=bench.addresses.serial))
    return {"data": folder / "data", "stations": stations, "port": 0, "locks": folder / "locks"}


@pytest.fixture
def api(tmp_path: Path, bench: Bench) -> Iterator[httpx.Client]:
    given = settings_of(tmp_path, bench)
    with (
        serving(build(read_settings(given, {}))) as url,
        httpx.Client(base_url=f"{url}/api/v1", timeout=30) as client,
    ):
        yield client


def asked(api: httpx.Client, **body: Any) -> str:
    answer = api.post("/stations/north-1/checks", json=body)
    assert answer.status_code == 202, answer.text
    return str(answer.headers["Location"]).removeprefix("/api/v1")


def events(api: httpx.Client, place: str, after: int = 0) -> Iterator[tuple[int, dict[str, Any]]]:
    """As they come, with their numbers."""
    headers = {"Last-Event-ID": str(after)} if after else {}
    number = after
    with api.stream("GET", f"{place}/events", headers=headers) as stream:
        for line in stream.iter_lines():
            if line.startswith("id: "):
                number = int(line.removeprefix("id: "))
            elif line.startswith("data: "):
                yield number, json.loads(line.removeprefix("data: "))


class AtTheBench:
    """Does each step when the events show it, and goes on at the trimmer while they show looks."""

    def __init__(self, api: httpx.Client, bench: Bench) -> None:
        self.api = api
        self.deeds = deeds_of(Hands(bench))
        self.steps: list[dict[str, Any]] = []
        self.looks: list[dict[str, Any]] = []
        self.seen = 0

    def follow(self, place: str, until: Callable[[dict[str, Any]], bool] = lambda _event: False) -> None:
        for number, event in events(self.api, place, self.seen):
            self.seen = number
            if until(event):
                return
            if event["event"] == "look":
                self.looks.append(event)
                self._again(event)
            if event.get("state") == "waiting":
                self._do(place, event["waiting_for"])

    def _do(self, place: str, step: dict[str, Any]) -> None:
        self.steps.append(step)
        if step["name"] == "before you begin":
            assert self.api.post(f"{place}/continue", json={}).status_code == 202
        else:
            self.deeds[step["name"]]()

    def _again(self, look: dict[str, Any]) -> None:
        if (
            "compensated by" in look["text"]
            and self.steps[-1]["name"].startswith("trimmer")
            and not look["seen"]
        ):
            self.deeds[self.steps[-1]["name"]]()


def test_a_whole_guided_check_is_walked_through_over_http(api: httpx.Client, bench: Bench) -> None:
    """One continue, the rest is seen; the probe that was off is trimmed by what the looks say."""
    bench.person.turn_trimmer(2, 13.2)
    place = asked(api, guided=True)
    person = AtTheBench(api, bench)
    person.follow(place)
    run = finished(api, place)
    assert (run["state"], run["result"]["outcome"]) == ("done", "ready"), run["result"]
    names = [step["name"] for step in person.steps]
    assert names[0] == "before you begin"
    assert "trimmer of the probe of ch2" in names
    assert all(step["caution"] and step["text"] and step["until"] for step in person.steps)
    assert [a["by"] for a in api.get(place).json()["result"]["guided"]["steps"]][:2] == ["person", "bench"]
    assert any("over-compensated" in look["text"] for look in person.looks)
    was = [f for f in run["result"]["findings"] if f["code"] == "probe-overcompensated"]
    assert [f["severity"] for f in was] == ["info"]
    assert bench.person.plan.scope.inputs[1].probe.trimmer_pf == pytest.approx(12.0, abs=0.15)


def test_the_run_shows_what_is_to_be_done_and_what_is_seen(api: httpx.Client, bench: Bench) -> None:
    """Whoever asks for the run sees it too; a skipped step is known as such; then nobody goes on."""
    place = asked(api, guided=True)
    person = AtTheBench(api, bench)
    person.follow(place, until=lambda e: e["event"] == "look" and bool(person.steps[1:]))
    now = api.get(place).json()
    assert now["state"] == "waiting"
    assert now["waiting_for"]["step"] == 2
    assert now["waiting_for"]["look"]["text"]
    assert api.post(f"{place}/continue", json={"skip": True}).status_code == 202
    assert api.post(f"{place}/cancel").status_code == 202
    run = finished(api, place)
    assert run["state"] == "cancelled"
    assert api.get("/stations/north-1").json()["state"] == "free"


def test_what_does_not_go_together_is_refused(api: httpx.Client) -> None:
    """A metered voltage without its meter; setting right what is not looked at."""
    for body, words in (
        ({"guided": True, "metered_volts": 3.3}, "needs the meter"),
        ({"set_right": True}, "only the trigger can be set right"),
        ({"only": ["triger"]}, "there is no part"),
    ):
        answer = api.post("/stations/north-1/checks", json=body)
        assert answer.status_code == 422
        assert words in answer.json()["detail"]


def test_the_trigger_doctor_sets_right_over_http(api: httpx.Client, bench: Bench) -> None:
    """-2 V on a 0..3.3 V line."""
    bench.person.touch_panel(
        "SENS1:CORR:STAT ON;:SENS1:CORR:LOSS 20;:TRIG:SOUR INT1;:TRIG:LEV -2;:TRIG:SLOP NEG"
    )
    run = finished(api, asked(api, only=["trigger"], set_right=True))
    assert run["result"]["outcome"] == "ready"
    assert run["result"]["trigger"]["set_right"] is True
    assert bench.scope.settings.trigger.level_v == pytest.approx(1.65, abs=0.05)


@contextmanager
def service(folder: Path, given: dict[str, Any]) -> Iterator[tuple[subprocess.Popen[str], httpx.Client]]:
    """The service in a process of its own."""
    words = ["serve", "--stations", str(given["stations"]), "--data", str(given["data"]), "--port", "0"]
    child = subprocess.Popen(
        [sys.executable, "-m", "service", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    output = child.stdout
    assert output is not None
    drain = threading.Thread(target=output.read, daemon=True)
    try:
        url = next(found[0] for line in output if (found := re.search(r"http://[\d.:]+", line)))
        drain.start()  # a full pipe would stop it
        with httpx.Client(base_url=f"{url}/api/v1", timeout=30) as client:
            yield child, client
    finally:
        if child.poll() is None:
            child.send_signal(signal.SIGKILL)
        child.wait(20)
        drain.join(20)
        output.close()


def test_a_walk_survives_the_death_of_the_service_in_the_middle(tmp_path: Path, bench: Bench) -> None:
    """Killed while the second probe is waited for: the next service waits for that very step."""
    given = settings_of(tmp_path, bench)
    with service(tmp_path, given) as (child, api):
        place = asked(api, guided=True)
        person = AtTheBench(api, bench)
        held = person.deeds["probe of ch2 on the reference terminal"]
        person.deeds["probe of ch2 on the reference terminal"] = lambda: None
        person.follow(place, until=lambda e: e["event"] == "look" and len(person.steps) == 3)
        before = api.get(place).json()
        child.send_signal(signal.SIGKILL)
        child.wait(20)
    with service(tmp_path, given) as (_, api):
        person.api = api
        person.deeds["probe of ch2 on the reference terminal"] = held
        person.follow(place)
        run = finished(api, place)
    assert run["result"]["outcome"] == "ready", run["result"]
    names = [step["name"] for step in person.steps]
    assert names.count("probe of ch1 on the reference terminal") == 1
    assert [c["label"] for c in run["captures"]][: len(before["captures"])] == [
        c["label"] for c in before["captures"]
    ]
    labels = [c["label"] for c in run["captures"]]
    assert len(labels) == len(set(labels))
