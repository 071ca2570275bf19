"""A whole morning: at a quarter to seven the checks begin by themselves, at half past the summary is out.

Four benches over real sockets: a good one, one whose probe reads wrongly, one where a person stands, one
whose scope takes a connection and never says a word. A mail server and a web server get the summary.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.room.webhook import verify
from service.run_record import utc_now
from service.settings import read_settings
from service.web.serving import serving
from service.wiring import Wiring, build
from simulator.bench import open_benches
from tests.service.room.receivers import SECRET, Mailbox, Web, mail_server, web_server
from tests.whole.over_http import STATIONS, finished

BEFORE = datetime(2027, 1, 12, 5, 44, 59, tzinfo=UTC)
"""A Tuesday, a second before a quarter to seven in Berlin."""
KINDS: dict[str, dict[str, Any]] = {
    "north-1": {"bench": "good"},
    "north-2": {"bench": "probe-ratio-off"},
    "north-3": {"bench": "good"},
    "north-4": {"faults": ("silent-accept",)},
}
MORNING = """
[morning]
at = "07:30"
zone = "Europe/Berlin"
days = "1-5"
checks_start = "06:45"
[[morning.to]]
name = "teachers"
mail = ["ida@harbour.example"]
from = "benches@harbour.example"
server = "127.0.0.1:{port}"
security = "none"
[[morning.to]]
name = "board"
webhook = "{url}"
secret_env = "BENCH_SECRET"
"""


@dataclass
class Shifted:
    """The real clock, set to another day. It stands until it is started, however long the start of all else
    takes; then it goes on by itself and can be put forward.
    """

    by: timedelta | None = None

    def __call__(self) -> datetime:
        return BEFORE if self.by is None else utc_now() + self.by

    def start(self) -> None:
        self.by = BEFORE - utc_now()

    def put_forward(self, by: timedelta) -> None:
        assert self.by is not None
        self.by += by


@dataclass(frozen=True)
class Lab:
    wiring: Wiring
    api: httpx.Client
    clock: Shifted
    box: Mailbox
    web: Web


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Lab]:
    monkeypatch.setenv("BENCH_SECRET", SECRET)
    box, web, clock = Mailbox(), Web(), Shifted()
    with contextlib.ExitStack() as stack:
        port, url = stack.enter_context(mail_server(box)), stack.enter_context(web_server(web))
        text = MORNING.format(port=port, url=url)
        for number, (name, kind) in enumerate(KINDS.items()):
            (bench,) = stack.enter_context(open_benches(count=1, seed=30 + number, **kind))
            at = STATIONS.format(scope=bench.addresses.socket, serial=bench.addresses.serial)
            text = at.replace("north-1", name) + text
        stations = tmp_path / "harbour.toml"
        stations.write_text(text)
        given = {"data": tmp_path / "data", "stations": stations, "port": 0, "locks": tmp_path / "locks"}
        wiring = build(read_settings(given, {}), clock=clock)
        wiring.room.presence.claim("north-3", "Ada", for_s=7200)
        url = stack.enter_context(serving(wiring))
        api = stack.enter_context(httpx.Client(base_url=f"{url}/api/v1", timeout=50))
        clock.start()
        yield Lab(wiring, api, clock, box, web)


def checks_begun(lab: Lab) -> dict[str, str]:
    """The runs that the schedule asked for, by station; nobody else asked."""
    begun = threading.Event()
    with lab.wiring.journal.watched(lambda _about: begun.set()):
        while len(runs := lab.api.get("/runs", params={"kind": "check"}).json()) < len(KINDS):
            assert begun.wait(30), "nobody asked for the checks"
            begun.clear()
    return {run["station"]: run["id"] for run in runs}


def test_the_summary_is_out_by_its_hour_whatever_hangs(lab: Lab) -> None:
    """Nobody asks for anything: checks, summary, mail and signed request come by themselves."""
    runs = checks_begun(lab)
    for name in ("north-1", "north-2", "north-4"):
        finished(lab.api, f"/runs/{runs[name]}")
    lab.clock.put_forward(timedelta(minutes=45))
    assert lab.web.came.acquire(timeout=30), "the summary did not come"
    headers, body = lab.web.taken[0]
    assert verify(SECRET, headers, body, lab.clock().timestamp())
    document: dict[str, Any] = json.loads(body)["morning"]
    told = {row["station"]: (row["outcome"], row["first_step"]) for row in document["stations"]}
    assert {name: outcome for name, (outcome, _) in told.items()} == {
        "north-1": "ready",
        "north-2": "practice-only",
        "north-3": "not-seen",
        "north-4": "not-seen",
    }
    assert told["north-2"][1].startswith("Set the switch of the probe")
    assert told["north-3"][1] == "Ask Ada to give the bench back; its check begins by itself then."
    assert told["north-4"][1].startswith("See whether the scope is switched on")
    assert document["closed"] == ["north-3", "north-4"]
    (mail,) = lab.box.taken
    words = mail.content.decode()
    assert "[??] Closed, not seen:   north-3 (Ada is there), north-4" in words
    assert lab.api.get("/mornings/2027-01-12").json()["headline"] == document["headline"]


def test_the_bench_that_was_given_back_is_checked_and_the_room_knows(lab: Lab) -> None:
    """Its check kept its place while Ada was there."""
    runs = checks_begun(lab)
    assert lab.api.delete("/stations/north-3/claim").status_code in (200, 204)
    assert finished(lab.api, f"/runs/{runs['north-3']}")["result"]["outcome"] == "ready"
    now = lab.api.get("/mornings/now", params={"format": "json"}).json()
    assert "north-3" not in now["closed"]
