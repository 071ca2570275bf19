"""Front panels get touched: what a hand changed since the last run is found, and left as it was found."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from drivers.scope.scope import Scope
from service.acquire import open_bench
from service.check.check import run_check
from service.check.context import Context
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.run_record import new_run, timestamp, utc_now
from service.sounding import sound
from service.stations import Station
from service.store import RunStore
from simulator.bench import Bench
from tests.service.bench_of_straw import straw_wiring
from tests.whole.benches import one_bench, station_of

TOUCHES = (
    "INP1:COUP AC", "INP2:COUP GRO", "INP1:FILT ON", "INP2:FILT ON", "INP1:POL INV", "INP2:POL INV",
    "INP2:STAT OFF", "SENS1:CORR:STAT ON;:SENS1:CORR:LOSS 40", "SENS2:CORR:STAT ON", "TRIG:TYPE VID",
    "SENS1:VOLT:RANG:OFFS 1", "SENS2:VOLT:RANG:OFFS -0.5", "SENS1:VOLT:RANG:PTP 2", "SENS2:VOLT:RANG:PTP 40",
    "TRIG:SLOP NEG", "TRIG:LEV 0.7", "TRIG:SOUR INT2", "TRIG:SOUR EXT", "TRIG:SOUR BUS", "INIT:CONT ON",
)  # fmt: skip
"""Twenty changes by hand: factor, coupling, offset, range, bandwidth limit, inversion, trigger."""


class Runs:
    """Runs at one bench that are written down; each knows how the last one left the scope."""

    def __init__(self, bench: Bench, folder: Path) -> None:
        self.station = station_of(bench)
        self.store: RunStore = straw_wiring(folder).store

    def look(self, *only: str) -> dict[str, Any]:
        return run_check(self.station, self.hooks("check"), Context(), only)

    def echo(self) -> dict[str, Any]:
        return run_echo_test(self.station, b"Tide 7", self.hooks("echo-test"))

    def hooks(self, kind: str) -> RunHooks:
        run = self.store.create(new_run(kind, "north-1", {}, utc_now(), origin="command"))
        visits = self.store.visits
        return RunHooks(
            met=lambda met: visits.met(run.id, met, timestamp(utc_now())),
            left=lambda panel, again: visits.left(run.id, panel, timestamp(utc_now()), switched_on=again),
            owed=lambda: visits.owed(run.id),
            since=lambda: visits.since(run.id),
        )


def told(document: dict[str, Any]) -> list[tuple[str, str]]:
    return [(f["code"], f["severity"]) for f in document["findings"]]


def test_every_change_by_hand_is_found_and_spoils_nothing(tmp_path: Path) -> None:
    """All of twenty, one after the other; a check sets what it needs: the station stays what it is."""
    with one_bench(seed=4) as bench:
        runs = Runs(bench, tmp_path)
        runs.look("instrument")
        for touch in TOUCHES:
            bench.person.touch_panel(touch)
            document = runs.look("instrument")
            assert told(document) == [("settings-touched", "info")], touch
            assert document["outcome"] == "ready"
            assert "->" in document["findings"][0]["message"]


def test_a_panel_that_nobody_touched_is_not_mentioned(tmp_path: Path) -> None:
    """Whatever ran before, and however it left the scope: an echo test leaves it as it needed it."""
    with one_bench(seed=4) as bench:
        runs = Runs(bench, tmp_path)
        for run in (runs.echo, runs.look, runs.echo, runs.echo, lambda: runs.look("trigger")):
            assert told(run()) == []
        item = next(i for i in runs.look("instrument")["items"] if i["name"] == "settings_touched")
        assert item["value"] == 0.0


def test_a_change_by_hand_is_seen_whatever_ran_before_and_by_whatever_comes_next(tmp_path: Path) -> None:
    """Not from check to check only: after an echo test, and by an echo test, whose verdict stands."""
    with one_bench(seed=4) as bench:
        runs = Runs(bench, tmp_path)
        runs.echo()
        bench.person.touch_panel("INP2:COUP GRO;:TRIG:LEV 0.7")
        document = runs.look("instrument")
        assert told(document) == [("settings-touched", "info")]
        assert "ch2 coupling DC -> ground" in document["findings"][0]["message"]
        bench.person.touch_panel("TRIG:SOUR EXT")
        document = runs.echo()
        assert (told(document), document["verdict"]) == ([("settings-touched", "info")], "pass")
        assert "trigger source" in document["findings"][0]["message"]


def test_a_whole_check_gives_the_panel_back_as_it_was_found(tmp_path: Path) -> None:
    """Set-ups of the students stay: what the next look finds is what this one found."""
    with one_bench(seed=4) as bench:
        runs = Runs(bench, tmp_path)
        bench.person.touch_panel("INP1:COUP AC;:TRIG:LEV 0.7;:SENS2:VOLT:RANG:PTP 40")
        found = runs.look()["panel"]
        document = runs.look("instrument")
    assert document["panel"] == found
    assert told(document) == []


def test_a_run_that_goes_on_after_its_program_died_gives_back_what_it_had_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not what it finds then, which is its own half-done work."""
    with one_bench(seed=4) as bench:
        runs = Runs(bench, tmp_path)
        bench.person.touch_panel("INP1:COUP AC;:TRIG:LEV 0.7;:SENS:SWE:POIN 777")
        before = panel_of(bench)
        hooks = runs.hooks("check")
        with monkeypatch.context() as dying:
            dying.setattr(Scope, "close", lambda scope: scope.conversation.link.close())
            with pytest.raises(ZeroDivisionError):
                die_at_the_bench(runs.station, hooks)
        assert panel_of(bench) != before
        document = run_check(runs.station, hooks, Context())
        assert document["outcome"] == "ready"
        assert panel_of(bench) == before
        assert hooks.owed() is None
        assert told(runs.look("instrument")) == []


def die_at_the_bench(station: Station, hooks: RunHooks) -> None:
    as_found = dataclasses.replace(station, leave_as_found=True)
    with open_bench(as_found, hooks) as opened:
        sound(opened)
        raise ZeroDivisionError


def panel_of(bench: Bench) -> str:
    settings = bench.scope.settings
    return repr((settings.channels, settings.sweep, settings.trigger))
