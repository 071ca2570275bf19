"""Several workers on one database: never two runs at once on a station, as the simulator notes."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.durability.lab import Visits, ask, lab, office_of, settled


def runs_without_overlap(
    folder: Path, database: str, visits: Visits, *, workers: int, stations: int, runs: int
) -> None:
    """All runs done, each once; each scope had one visitor at a time and was armed once for each capture."""
    with lab(folder, database, visits, count=stations) as place, office_of(place) as office, ExitStack() as s:
        helpers = [s.enter_context(place.worker(name=f"w{n}")) for n in range(workers)]
        for helper in helpers:
            helper.wait_ready()
        names = [station["name"] for station in place.stations]
        asked = [ask(office, names[n % stations], f"Tide {n}") for n in range(runs)]
        done = settled(office, asked, within_s=30 + runs)
        assert [(run.state, run.verdict) for run in done] == [("done", "pass")] * runs
        for run in done:
            states = [e["state"] for _, e in office.store.events(run.id) if e["event"] == "state"]
            assert states == ["queued", "running", "done"]
        for bench in place.benches:
            key, name = id(bench.scope), bench.addresses.station
            assert visits.most[key] == 1, f"two at once on {name}"
            assert visits.armed[key] == sum(len(run.captures) for run in done if run.station == name)
        if workers > 1 and runs > 50:
            assert len({run.worker for run in done}) == workers, "one worker did it all"


@pytest.fixture
def visits(monkeypatch: pytest.MonkeyPatch) -> Visits:
    visits = Visits()
    visits.watch(monkeypatch)
    return visits


def test_two_workers_never_meet_at_a_station(tmp_path: Path, database: str, visits: Visits) -> None:
    """The short form of the one below."""
    runs_without_overlap(tmp_path, database, visits, workers=2, stations=2, runs=6)


@pytest.mark.soak
def test_four_workers_and_three_hundred_runs_never_meet_at_a_station(
    tmp_path: Path, database: str, visits: Visits
) -> None:
    """All four work for all stations, which is the hardest case for the count of a lane."""
    runs_without_overlap(tmp_path, database, visits, workers=4, stations=6, runs=300)
