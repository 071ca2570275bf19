"""`benchwarden morning`, `history` and `baseline`: from the data alone, with no service."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.cli.main import run
from service.database import Database
from service.store import RunStore
from tests.service.cli.test_main import STATIONS
from tests.service.room.papers import kept_check


@pytest.fixture
def lab(tmp_path: Path) -> list[str]:
    """A lab of one station that was checked eleven times, last an hour ago."""
    path = tmp_path / "stations.toml"
    path.write_text(STATIONS)
    database = Database(f"sqlite:///{tmp_path / 'data' / 'benchwarden.db'}")
    store = RunStore(database, tmp_path / "data")
    for hours in range(241, 0, -24):
        kept_check(store, "north-3", datetime.now(UTC) - timedelta(hours=hours))
    database.close()
    return ["--stations", str(path), "--data", str(tmp_path / "data")]


def test_the_room_as_it_is_now(lab: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In words, as JSON, as a page; the worst station's exit code."""
    page = tmp_path / "morning.html"
    assert run(["morning", "--html", str(page), *lab]) == 0
    out = capsys.readouterr().out
    assert "The station is ready." in out
    assert re.search(r"\[ok\] Ready: +north-3", out)
    assert page.read_text().startswith("<!doctype html>")
    assert run(["morning", "--json", *lab]) == 0
    assert json.loads(capsys.readouterr().out)["counts"]["ready"] == 1
    assert run(["item", "add", "P-1", "probe", *lab]) == 0
    assert run(["item", "place", "P-1", "north-3", "--line", "to_target", *lab]) == 0
    assert run(["morning", *lab]) == 3
    assert run(["morning", "2027-01-12", *lab]) == 2


def test_numbers_over_time_and_what_is_usual(lab: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A baseline is made from what there is, once."""
    assert run(["history", "north-3", *lab]) == 0
    assert "to_target.probe_factor" in capsys.readouterr().out
    assert run(["history", "north-3", "--name", "echo_errors", "--json", *lab]) == 0
    (course,) = json.loads(capsys.readouterr().out)["courses"]
    assert (course["kind"], len(course["points"])) == ("steady", 11)
    assert run(["baseline", "north-3", "--make", "commissioned", *lab]) == 0
    assert "11 repeats" in capsys.readouterr().out
    assert run(["baseline", "north-3", "--make", "again", *lab]) == 5
    assert run(["history", "--compare", "--name", "probe_factor", *lab]) == 0
    assert "nothing stands out" in capsys.readouterr().out.replace("no station and no thing", "nothing")
    for wrong in (["history"], ["history", "--compare"], ["history", "north-3", "--name", "gain"]):
        assert run([*wrong, *lab]) == 2
