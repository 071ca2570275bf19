"""kill -9 at random instants, wherever a run is; seeded, so that a bad instant can be tried again."""

from __future__ import annotations

import os
import random
import signal
import time
from pathlib import Path

import pytest

from service import retention
from tests.durability.lab import Lab, Visits, ask, lab, office_of, settled
from tests.durability.test_kill import TEXT, check_evidence, half_written

LATEST_S = 2.0
"""A run with its worker's start takes about so long."""
SEEDS = range(10)


@pytest.fixture
def visits(monkeypatch: pytest.MonkeyPatch) -> Visits:
    visits = Visits()
    visits.watch(monkeypatch)
    return visits


def kill_one(place: Lab, after_s: float) -> None:
    """A worker that is killed so long after it was ready, whatever it does then."""
    with place.worker() as worker:
        worker.wait_ready()
        time.sleep(after_s)  # the instant itself, nothing is waited for
        os.kill(worker.process.pid, signal.SIGKILL)
        worker.wait_dead()


@pytest.mark.soak
@pytest.mark.parametrize("seed", SEEDS)
def test_a_run_goes_on_after_two_kills_at_random_instants(
    tmp_path: Path, database: str, visits: Visits, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It passes, each capture is kept once, the scope is left idle, nobody met anybody at it; what was half
    written at such an instant goes, and nothing else does.
    """
    chance = random.Random(seed)
    with lab(tmp_path, database, visits) as place, office_of(place) as office:
        run = ask(office, place.stations[0]["name"], TEXT)
        kept: tuple[str, ...] = ()
        for _ in range(2):
            kill_one(place, chance.uniform(0, LATEST_S))
            now = office.store.read(run.id)
            assert now.captures[: len(kept)] == kept, "a capture was lost"
            kept = now.captures
        with place.worker() as last:
            last.wait_ready()
            (after,) = settled(office, [run])
        assert after.captures[: len(kept)] == kept
        monkeypatch.setattr(retention, "ORPHAN_S", 0.0)
        office.retention.round()
        check_evidence(place, office, after, visits)
        assert not half_written(place)
        assert all(path.exists() for path in (c.path for c in office.store.kept(run.id)))


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(3))
def test_a_queue_is_served_to_its_end_however_often_the_worker_is_killed(
    tmp_path: Path, database: str, visits: Visits, seed: int
) -> None:
    """Twelve runs on three stations, killed four times: none lost, none twice, none beside another."""
    chance = random.Random(100 + seed)
    with lab(tmp_path, database, visits, count=3) as place, office_of(place) as office:
        names = [station["name"] for station in place.stations]
        runs = [ask(office, names[n % 3], TEXT) for n in range(12)]
        for _ in range(4):
            kill_one(place, chance.uniform(0, 2 * LATEST_S))
        with place.worker() as last:
            last.wait_ready()
            ended = settled(office, runs)
        for run in ended:
            told = (run.state, run.error)
            assert run.state == "done" or (run.error or {}).get("type") == "/problems/interrupted", told
            assert len(run.captures) == len(set(run.captures))
        assert sum(run.state == "done" for run in ended) >= 9
        for bench in place.benches:
            assert not bench.scope.acquisition.busy
            assert visits.most[id(bench.scope)] == 1
