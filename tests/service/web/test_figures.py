"""/metrics reads back with the format's own parser; /readyz names everything that is missing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from drivers.errors import TimedOut
from service.check.document import check_document
from service.database import NEWEST
from service.errors import DatabaseAway
from service.settings import Settings
from service.stations import Station
from service.web import health
from service.web.figures import steps_of
from service.web.serving import serving
from service.wiring import Wiring, build
from tests.service.bench_of_straw import NAMES, StrawEchoTest, settings, station_toml, straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL, ask, settled
from tests.service.web.test_error_shape import assert_problem

Figures = Mapping[tuple[str, tuple[str, ...]], float]


def figures(client: Client) -> Figures:
    """(name, label values in the order of their names) -> value, as the format's own parser reads it."""
    answer = client.get("/metrics")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert answer.text.endswith("# EOF\n")
    return {
        (sample.name, tuple(value for _, value in sorted(sample.labels.items()))): float(sample.value)
        for family in text_string_to_metric_families(answer.text)  # type: ignore[no-untyped-call]
        for sample in family.samples
    }


def test_an_empty_service_has_all_its_figures_at_nothing(client: Client) -> None:
    """A figure that only appears with the first error cannot be watched for."""
    found = figures(client)
    for name in NAMES:
        assert found["benchwarden_queue_length", (name,)] == 0
        assert found["benchwarden_instrument_errors", (name, "any")] == 0
        assert found["benchwarden_worker_alive", (name,)] == 1
        assert found["benchwarden_station_outcome", ("practice-only", name)] == 1
        assert found["benchwarden_station_outcome", ("ready", name)] == 0
    assert found["benchwarden_runs", ("echo-test", "done", "")] == 0
    assert any(name == "benchwarden_build_info" for name, _ in found)


def test_runs_steps_queues_and_errors_are_counted(serve_straw: Callable[..., Client]) -> None:
    """By state and verdict, by step, by station."""
    client = serve_straw(StrawEchoTest(verdict="fail"))
    settled(client, ask(client))
    found = figures(client)
    assert found["benchwarden_runs", ("echo-test", "done", "fail")] == 1
    assert found["benchwarden_step_duration_seconds_gcount", ("shot",)] == 1
    assert found["benchwarden_step_duration_seconds_bucket", ("+Inf", "shot")] == 1
    assert found["benchwarden_step_duration_seconds_gsum", ("shot",)] >= 0


def test_an_instrument_that_does_not_answer_is_counted_at_its_station(
    serve_straw: Callable[..., Client],
) -> None:
    """By the name of its problem."""
    silent = TimedOut("no answer in 2 s", address="TCPIP::127.0.0.1::20000::SOCKET")
    client = serve_straw(StrawEchoTest(raises=silent))
    settled(client, ask(client))
    found = figures(client)
    assert found["benchwarden_instrument_errors", ("north-1", "no-answer")] == 1
    assert found["benchwarden_instrument_errors", ("north-2", "any")] == 0


def test_what_waits_is_counted_and_another_process_gives_the_same_figures(
    serve: Callable[[Wiring], Client], tmp_path: Path
) -> None:
    """Two services that only take requests, on one database: whoever is asked, the figures are the same."""
    database = f"sqlite:///{tmp_path / 'shared.db'}"
    first, second = (
        serve(straw_wiring(tmp_path / name, worker=False, database=database)) for name in ("a", "b")
    )
    for _ in range(3):
        assert first.post(URL, json={"send": {"text": "Tide 7"}}).status_code == 202
    mine, theirs = figures(first), figures(second)
    assert mine["benchwarden_queue_length", ("north-1",)] == 3
    assert mine["benchwarden_worker_alive", ("north-1",)] == 0
    assert mine == theirs


def test_a_step_lasts_until_the_next_one() -> None:
    """From the events of a run: looked at twice it is counted together; what is no step does not end one."""

    def event(second: int, event: str, **more: Any) -> dict[str, Any]:
        return {"event": event, "at": f"2027-01-12T06:31:{second:02}.000Z", **more}

    events = [
        event(0, "state", state="running"), event(1, "progress", step="levels"), event(3, "capture"),
        event(4, "progress", step="levels"), event(6, "progress", step="shot"),
        event(9, "state", state="done"),
    ]  # fmt: skip
    assert steps_of(events) == {"levels": 5.0, "shot": 3.0}
    assert steps_of([]) == {}


STATIONS = station_toml()


@pytest.fixture
def of_file(tmp_path: Path) -> Settings:
    path = tmp_path / "stations.toml"
    path.write_text(STATIONS)
    return settings(tmp_path, stations=path)


def test_a_service_that_can_work_is_ready(of_file: Settings, serve: Callable[[Wiring], Client]) -> None:
    """With its stations."""
    answer = serve(build(of_file)).get("/readyz")
    assert answer.json() == {"status": "ready", "stations": ["north-1"]}


def test_a_first_start_is_ready_although_its_database_is_elsewhere(
    of_file: Settings, postgres_url: str
) -> None:
    """Nothing lies in the data folder yet, not even a database: the start makes it, or says why it cannot."""
    there = replace(of_file, database=postgres_url)
    assert not there.data.exists()
    with serving(build(there)) as url, httpx.Client(base_url=url, timeout=20) as client:
        assert client.get("/readyz").json() == {"status": "ready", "stations": ["north-1"]}


def test_every_thing_that_is_missing_is_named(
    of_file: Settings, serve: Callable[[Wiring], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All at once, in words that say what to do; 503 with Retry-After."""
    wiring = build(of_file)
    client = serve(wiring)
    monkeypatch.setattr(health, "LEAST_FREE_BYTES", 1 << 60)
    of_file.stations.write_text(STATIONS.replace("north-1", "north-9"))
    with wiring.store.database.changing() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '0001'"))
        connection.execute(sa.text("UPDATE workers SET seen_at = 0"))
    answer = client.get("/readyz")
    assert answer.headers["retry-after"]
    missing = assert_problem(answer, 503)["missing"]
    for words in (
        "MiB are free",
        f"needs {NEWEST}",
        "start the service again",
        "no worker does the runs of north-1",
    ):
        assert sum(words in sentence for sentence in missing) == 1, (words, missing)
    of_file.stations.write_text("[[station")
    assert any("stations.toml" in sentence for sentence in client.get("/readyz").json()["missing"])


def test_a_database_that_is_away_is_named(
    serve: Callable[[Wiring], Client], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Alive all the same."""
    wiring = straw_wiring(tmp_path)
    client = serve(wiring)

    def away(*_: object) -> None:
        raise DatabaseAway("the database does not answer")

    monkeypatch.setattr(wiring.access.tokens.database.__class__, "reading", away)
    assert assert_problem(client.get("/readyz"), 503)["missing"] == ["the database"]
    assert client.get("/healthz").status_code == 200


def test_the_time_of_a_stations_last_check_and_what_it_may_be_used_for(
    serve: Callable[[Wiring], Client], tmp_path: Path
) -> None:
    """2027-01-12T06:31:08Z is 1799735468 seconds after 1970 (RFC 3339 to POSIX, by date -u)."""
    at = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)

    def check(station: Station, *_: object) -> dict[str, Any]:
        return check_document(station.name, [], [], checked_at=at, valid_for_s=86400.0 * 365 * 50, only=[])

    client = serve(straw_wiring(tmp_path, more={"work": {"check": check}}))
    assert not any(name == "benchwarden_last_check_timestamp_seconds" for name, _ in figures(client))
    settled(client, client.post(URL.replace("echo-tests", "checks"), json={}).headers["location"])
    found = figures(client)
    assert found["benchwarden_last_check_timestamp_seconds", ("north-1",)] == 1799735468
    outcomes = [label[0] for (name, label), value in found.items() if "outcome" in name and value == 1]
    assert outcomes == ["ready", "practice-only", "practice-only"]
