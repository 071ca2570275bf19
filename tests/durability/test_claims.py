"""A person's claim holds through deaths of the worker: no instrument is touched at a bench that is clear."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from service.room.presence import Claim
from service.run_record import Run
from service.wiring import Wiring
from tests.durability.lab import Lab, Visits, ask, lab, office_of, settled
from tests.durability.test_kill import CHANGES, check_evidence

MOMENTS = ["after 13"]
"""In the middle of the captures; the soak takes all."""


@pytest.fixture
def visits(monkeypatch: pytest.MonkeyPatch) -> Visits:
    visits = Visits()
    visits.watch(monkeypatch)
    return visits


def touched(visits: Visits, place: Lab) -> tuple[int, int]:
    """How often the scope was connected to and armed so far, by the simulator's own notes."""
    key = id(place.benches[0].scope)
    return visits.total.get(key, 0), visits.armed.get(key, 0)


def wait_state(office: Wiring, run: Run, state: str, within_s: float = 40.0) -> Run:
    """The run when it is in that state; another process brings it there, so looking is the only way."""
    end = time.monotonic() + within_s
    while (now := office.store.read(run.id)).state != state:
        assert time.monotonic() < end, (now.state, state)
        time.sleep(0.02)
    return now


def claimed(office: Wiring, place: Lab) -> Claim:
    return office.room.presence.claim(place.stations[0]["name"], "Ida", for_s=3600)


def given_back(office: Wiring, place: Lab) -> None:
    name = place.stations[0]["name"]
    office.room.presence.give_back(name, "Ida")
    office.engine.serve_again(name)


def killed_and_claimed(place: Lab, visits: Visits, die: str) -> None:
    """The worker dies in the middle of a run, a person comes, the worker comes back and keeps off."""
    with office_of(place) as office:
        run = ask(office, place.stations[0]["name"])
        with place.worker(die=die) as first:
            first.wait_dead()
        if office.store.read(run.id).settled:
            return
        claim = claimed(office, place)
        before = touched(visits, place)
        with place.worker() as second:
            second.wait_ready()
            wait_state(office, run, "queued")
            mine = ask(office, place.stations[0]["name"], claim="none of theirs")  # waits too
            assert office.room.presence.at_work(claim) == []
            assert touched(visits, place) == before
            given_back(office, place)
            after, other = settled(office, [run, mine])
        check_evidence(place, office, after, visits)
        assert other.state == "done"


@pytest.mark.parametrize("die", MOMENTS)
def test_a_worker_that_died_at_a_bench_does_not_come_back_to_it_while_a_person_is_there(
    tmp_path: Path, database: str, visits: Visits, die: str
) -> None:
    """C3: 0 remote actions on a claimed bench; afterwards the run goes on with what it has."""
    with lab(tmp_path, database, visits) as place:
        killed_and_claimed(place, visits, die)


@pytest.mark.soak
@pytest.mark.parametrize("die", [f"{w} {n}" for n in range(1, CHANGES + 1) for w in ("before", "after")])
def test_wherever_a_worker_dies_a_claim_holds(tmp_path: Path, visits: Visits, die: str) -> None:
    """All moments."""
    with lab(tmp_path, "", visits) as place:
        killed_and_claimed(place, visits, die)


def test_a_run_at_work_in_another_process_leaves_the_bench_and_then_nothing_touches_it(
    tmp_path: Path, database: str, visits: Visits
) -> None:
    """C2: clear soon, no run lost; the claimer's own run is done meanwhile, and only that."""
    with lab(tmp_path, database, visits) as place, office_of(place) as office, place.worker() as worker:
        worker.wait_ready()
        name = place.stations[0]["name"]
        run = ask(office, name)
        wait_state(office, run, "running")
        claim = claimed(office, place)
        end = time.monotonic() + 40
        while office.room.presence.at_work(claim):
            assert time.monotonic() < end
            time.sleep(0.02)
        own = ask(office, name, claim=claim.id)
        (own,) = settled(office, [own])
        assert (own.state, own.verdict) == ("done", "pass")
        states = {office.store.read(run.id).state, "done"}  # it may have come to its end before
        assert states <= {"queued", "done"}
        given_back(office, place)
        (after,) = settled(office, [run])
        check_evidence(place, office, after, visits)
