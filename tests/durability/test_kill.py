"""kill -9 at any moment of a run: it goes on, and what was captured is neither lost nor taken again."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.run_record import Run
from service.whole_files import HALF_WRITTEN
from service.wiring import Wiring
from tests.durability.lab import Lab, Visits, ask, lab, office_of, settled

CHANGES = 20
"""So many changes a short run makes; `test_a_run_makes_so_many_changes` holds this."""
TEXT = "Tide 7"


@pytest.fixture
def visits(monkeypatch: pytest.MonkeyPatch) -> Visits:
    visits = Visits()
    visits.watch(monkeypatch)
    return visits


def killed_and_restarted(place: Lab, visits: Visits, die: str) -> tuple[Wiring, Run, int]:
    """One run through a death and a new start; the run, and what it had kept when it died."""
    with office_of(place) as office:
        run = ask(office, place.stations[0]["name"], TEXT)
        with place.worker(die=die) as first:
            first.wait_dead()
        before = office.store.read(run.id)
        with place.worker() as second:
            second.wait_ready()
            (after,) = settled(office, [run])
        check_evidence(place, office, after, visits)
        assert not half_written(place)
        assert after.captures[: len(before.captures)] == before.captures
        return office, after, len(before.captures)


def check_evidence(place: Lab, office: Wiring, run: Run, visits: Visits) -> None:
    """The run passed, each capture once, the scope left idle, nobody met anybody at it."""
    assert (run.state, run.verdict) == ("done", "pass"), run.error
    assert len(run.captures) == len(set(run.captures)), "a capture was taken again"
    result = office.store.result(run.id)
    assert result is not None
    echoed = bytes(c["value"] for c in result["lines"]["from_target"]["characters"])
    assert echoed == TEXT.encode()
    assert office.store.report(run.id).stat().st_size > 1000
    states = [e["state"] for _, e in office.store.events(run.id) if e["event"] == "state"]
    assert states.count("done") == 1
    scope = place.benches[0].scope
    assert not scope.acquisition.busy, "the scope was left armed"
    assert visits.most[id(scope)] == 1


def half_written(place: Lab) -> list[Path]:
    """Only who is killed in the very moment of writing leaves something."""
    return list((place.folder / "data").rglob(HALF_WRITTEN))


@pytest.mark.parametrize("die", ["after 7", "before 12"])
def test_a_run_goes_on_after_its_worker_was_killed(
    tmp_path: Path, database: str, visits: Visits, die: str
) -> None:
    """Between two captures, and just before something was recorded; on both databases."""
    with lab(tmp_path, database, visits) as place:
        killed_and_restarted(place, visits, die)


def test_what_was_captured_before_the_death_is_not_taken_again(tmp_path: Path, visits: Visits) -> None:
    """The simulator's own count of arming: no more with the death than without it."""
    url = f"sqlite:///{tmp_path / 'data' / 'benchwarden.db'}"
    with lab(tmp_path, url, visits) as place, office_of(place) as office, place.worker() as worker:
        worker.wait_ready()
        (run,) = settled(office, [ask(office, place.stations[0]["name"], TEXT)])
        changes = [line for line in worker.said if line.split(" ")[0].isdigit()]
        undisturbed = visits.armed[id(place.benches[0].scope)]
        assert undisturbed == len(run.captures)
    last = next(n for n in reversed(range(len(changes))) if "capture" in changes[n]) + 1
    again = tmp_path / "again"
    url = f"sqlite:///{again / 'data' / 'benchwarden.db'}"
    with lab(again, url, visits) as place:
        _, after, kept = killed_and_restarted(place, visits, f"after {last}")
        assert kept == len(after.captures) == undisturbed
        assert visits.armed[id(place.benches[0].scope)] == undisturbed


def test_a_run_makes_so_many_changes(tmp_path: Path, visits: Visits) -> None:
    """The matrix below reaches from the first change of a run to its last."""
    url = f"sqlite:///{tmp_path / 'data' / 'benchwarden.db'}"
    with lab(tmp_path, url, visits) as place, office_of(place) as office, place.worker() as worker:
        worker.wait_ready()
        settled(office, [ask(office, place.stations[0]["name"], TEXT)])
        changes = [line for line in worker.said if line.split(" ")[0].isdigit()]
    assert len(changes) == CHANGES, changes


@pytest.mark.soak
@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize("number", range(1, CHANGES + 1))
def test_a_run_goes_on_wherever_it_was_killed(
    tmp_path: Path, database: str, visits: Visits, when: str, number: int
) -> None:
    """Each change of the database, just before and just after: every boundary of every step."""
    with lab(tmp_path, database, visits) as place:
        killed_and_restarted(place, visits, f"{when} {number}")
