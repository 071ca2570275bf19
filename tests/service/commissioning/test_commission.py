"""Commissioning against the simulated bench and against a scope of an invented vocabulary: what works is said
to work, each kind of mistake in a dialect is found in its line, and nothing else is ever sent."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.errors import NotReachable, RequestError
from drivers.scope.dialect_reader import load_dialect
from service.commissioning.commission import Wishes, commission
from service.commissioning.outcome import DIFFERS, FAILS, NOT_TRIED, WORKS
from service.commissioning.table import table
from simulator.bench import Bench
from tests.drivers.lantern import Lantern
from tests.drivers.servers import Act
from tests.service.commissioning.spoken import strangers
from tests.service.commissioning.walks import LANTERN, cousin, flawed, line, on_bench, on_lantern


@pytest.mark.parametrize("way", ["socket", "hislip"])
def test_the_standard_dialect_works_line_by_line_and_nothing_else_is_sent(
    bench: Bench, heard: list[str], way: str
) -> None:
    """Set, read back, shot, known traffic, speed; every unit that arrived stands in the dialect."""
    done = on_bench(bench, way=way, skip=())
    assert flawed(done) == {}
    assert done.outcome == WORKS
    assert done.options == "0"
    assert {"traffic rate", "traffic trigger place", "traffic characters", "transfer"} <= {
        r.line for r in done.lines if r.outcome == WORKS
    }
    assert done.timings["set_up_round_trips"] < 10
    assert done.timings["points"] >= 1000
    assert len(heard) > 100
    assert strangers(load_dialect("scpi-1999"), heard) == []


def test_the_scope_is_left_as_it_was_found_even_after_its_reset(bench: Bench) -> None:
    """Commissioning a bench in the middle of term costs nobody their settings."""
    first = bench.scope.settings.channels[0]
    first.input_window_v, first.input_centre_v, first.coupling = 2.0, 0.25, "AC"
    bench.scope.settings.sweep.interval_s, bench.scope.settings.sweep.points = 3e-6, 777
    bench.scope.settings.trigger.source, bench.scope.settings.trigger.continuous = "EXT", True
    before = repr((bench.scope.settings.channels, bench.scope.settings.sweep, bench.scope.settings.trigger))
    done = on_bench(bench, traffic=None)
    after = bench.scope.settings
    assert line(done, "reset").outcome == WORKS
    assert line(done, "left as found").outcome == WORKS
    assert repr((after.channels, after.sweep, after.trigger)) == before


def test_a_power_on_note_that_stays_fails_in_its_line(bench: Bench, tmp_path: Path) -> None:
    """Else every run would say that the scope was switched on; a note that goes is told as what it says."""
    told = []
    for text in ("", '[event_status]\nquery = "*OPC?"\nbit = 0\n'):
        told.append(line(on_bench(bench, cousin(tmp_path, text), traffic=None), "event_status"))
    assert told[0].outcome == WORKS
    assert "switched on since it was asked last" in told[0].says
    assert told[1].outcome == FAILS
    assert "answers 1: bit 0 is set still" in told[1].says


def test_what_a_foreign_scope_makes_of_settings_is_told_as_a_difference(tmp_path: Path) -> None:
    """It works, and the dialect could say more: its limits, the steps of its offset."""
    lantern = Lantern()
    done = on_lantern(tmp_path, lantern=lantern)
    assert flawed(done) == {"sweep.interval": DIFFERS}
    assert "13 SPEED CANNOT BE 200" in line(done, "sweep.interval").says
    assert "chA offset_v 1.65 became 1.64" in line(done, "whole set-up").says
    assert line(done, "self_test").outcome == NOT_TRIED
    assert line(done, "record scale").outcome == WORKS
    assert line(done, "record time base").outcome == WORKS
    assert strangers(load_dialect(LANTERN), lantern.heard) == []


def test_the_check_for_strangers_can_fail() -> None:
    """A command that is not in the file, one in a message with others, and a value too many are seen."""
    dialect = load_dialect("scpi-1999")
    heard = ["INP1:COUP DC;*RCL 1", "SYST:ERR?", "INP3:COUP DC", "*RST 1", ":SENS:SWE:POIN 5"]
    assert strangers(dialect, heard) == ["*RCL 1", "INP3:COUP DC", "*RST 1"]


def test_a_scope_that_hangs_up_over_one_line_is_asked_the_others(tmp_path: Path) -> None:
    """Some end the connection over what they do not know."""
    lantern = Lantern()

    def play(text: str) -> Act | None:
        return Act(then_reset=True) if text == "MIDDLE?" else lantern(text)

    done = on_lantern(tmp_path, lantern=play)
    assert line(done, "sweep.place").outcome == FAILS
    assert line(done, "trigger.level").outcome == WORKS
    assert not done.lost


def test_a_scope_that_is_switched_off_in_the_middle_ends_the_table_there(tmp_path: Path) -> None:
    """What was proved so far is told, and why it ended."""
    lantern, gone = Lantern(), [False]

    def play(text: str) -> Act | None:
        gone[0] = gone[0] or text == "MIDDLE?"
        return Act(then_reset=True) if gone[0] else lantern(text)

    lantern("MIDDLE?")
    first = [True]

    def only_later(text: str) -> Act | None:
        if text == "MIDDLE?" and first:
            first.clear()  # asked when it was found: still there
            return lantern(text)
        return play(text)

    done = on_lantern(tmp_path, lantern=only_later)
    assert done.lost
    assert done.lines[-1].line == "sweep.place"
    assert done.lines[-1].outcome == FAILS
    assert line(done, "sweep.points").outcome == WORKS
    assert "It ended here" in table(done)


def test_nothing_at_the_address_is_an_error_not_a_table() -> None:
    """And so is a dialect with a typo; nothing was proved by either."""
    with pytest.raises(NotReachable, match="refused"):
        commission(Wishes("TCPIP::127.0.0.1::1::SOCKET", "scpi-1999", timeout_s=0.3))
    with pytest.raises(RequestError, match="did you mean 'scpi-1999'"):
        commission(Wishes("TCPIP::127.0.0.1::1::SOCKET", "scpi-1998"))


def test_lines_can_be_left_out_and_are_counted_as_not_tried(bench: Bench, heard: list[str]) -> None:
    """A self-test that needs the probes off, a reset that nobody wants: by table or by line."""
    done = on_bench(bench, traffic=None, skip=("self_test", "reset", "transfer", "trigger"))
    assert {line(done, name).outcome for name in ("self_test", "reset", "trigger.level")} == {NOT_TRIED}
    assert not {"*RST", "*TST?"} & set(heard)
    assert done.outcome == WORKS


def test_a_dialect_without_force_needs_a_signal(bench: Bench, tmp_path: Path) -> None:
    """Then the known traffic brings the record whose lengths and scale are compared."""
    dialect = cousin(tmp_path, 'without = ["force"]\n')
    quiet = on_bench(bench, dialect, traffic=None)
    assert line(quiet, "force and done").outcome == NOT_TRIED
    done = on_bench(bench, dialect)
    assert line(done, "record length").outcome == WORKS
    assert line(done, "traffic rate").outcome == WORKS
