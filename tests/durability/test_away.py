"""The database is gone for a while: runs wait for it and end well; requests are told at once."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import DatabaseAway
from tests import postgres
from tests.durability.lab import Visits, ask, lab, office_of, settled


def survives(folder: Path, visits: Visits, away_s: float) -> None:
    """A run that is at work when the server goes is done after it is back, and so is the next one."""
    with (
        postgres.running() as server,
        lab(folder, server.make_database("bench"), visits) as place,
        office_of(place) as office,
        place.worker() as worker,
    ):
        worker.wait_ready()
        name = place.stations[0]["name"]
        run = ask(office, name)
        worker.wait(lambda: any("capture" in line for line in worker.said))
        server.stop()
        gone = time.monotonic()
        with pytest.raises(DatabaseAway, match="does not answer"):
            office.store.read(run.id)
        assert time.monotonic() - gone < 5, "a request must not hang"
        time.sleep(away_s)  # this is the outage itself, nothing is waited for
        server.start()
        later = ask(office, name)
        assert [r.state for r in settled(office, [run, later])] == ["done", "done"]
        for r in (run, later):
            captures = office.store.read(r.id).captures
            assert len(captures) == len(set(captures))
        assert visits.most[id(place.benches[0].scope)] == 1


@pytest.fixture
def visits(monkeypatch: pytest.MonkeyPatch, need: Callable[[bool, str], None]) -> Visits:
    need(postgres.binaries() is not None, "PostgreSQL is not installed (Debian: apt-get install postgresql)")
    visits = Visits()
    visits.watch(monkeypatch)
    return visits


def test_a_run_survives_a_database_that_is_gone_for_a_moment(tmp_path: Path, visits: Visits) -> None:
    """In the middle of a run, between two captures."""
    survives(tmp_path, visits, 1.0)


@pytest.mark.soak
def test_a_run_survives_a_database_that_is_gone_for_ten_seconds(tmp_path: Path, visits: Visits) -> None:
    """As when a server is started anew."""
    survives(tmp_path, visits, 10.0)
