"""Front panels get touched: what a hand changed since the last check is found, and left as it was found."""

from __future__ import annotations

from typing import Any

from service.check.check import run_check
from service.check.context import Context
from service.hooks import RunHooks
from simulator.bench import Bench
from tests.whole.benches import one_bench, station_of

TOUCHES = (
    "INP1:COUP AC", "INP2:COUP GRO", "INP1:FILT ON", "INP2:FILT ON", "INP1:POL INV", "INP2:POL INV",
    "INP2:STAT OFF", "SENS1:CORR:STAT ON;:SENS1:CORR:LOSS 40", "SENS2:CORR:STAT ON", "TRIG:TYPE VID",
    "SENS1:VOLT:RANG:OFFS 1", "SENS2:VOLT:RANG:OFFS -0.5", "SENS1:VOLT:RANG:PTP 2", "SENS2:VOLT:RANG:PTP 40",
    "TRIG:SLOP NEG", "TRIG:LEV 0.7", "TRIG:SOUR INT2", "TRIG:SOUR EXT", "TRIG:SOUR BUS", "INIT:CONT ON",
)  # fmt: skip
"""Twenty changes by hand: factor, coupling, offset, range, bandwidth limit, inversion, trigger."""


def looked(bench: Bench, context: Context) -> dict[str, Any]:
    return run_check(station_of(bench), RunHooks(), context, ("instrument",))


def test_every_change_by_hand_is_found_and_spoils_nothing() -> None:
    """All of twenty, one after the other; a check sets what it needs: the station stays what it is."""
    with one_bench(seed=4) as bench:
        before = looked(bench, Context())
        for touch in TOUCHES:
            bench.person.touch_panel(touch)
            document = looked(bench, Context(panel=before["panel"]))
            told = [f for f in document["findings"] if f["code"] == "settings-touched"]
            assert len(told) == 1, touch
            assert (told[0]["severity"], document["outcome"]) == ("info", "ready")
            assert "->" in told[0]["message"]
            before = document


def test_a_panel_that_nobody_touched_is_not_mentioned() -> None:
    """Two looks after one another."""
    with one_bench(seed=4) as bench:
        before = looked(bench, Context())
        assert looked(bench, Context(panel=before["panel"]))["findings"] == []


def test_a_whole_check_gives_the_panel_back_as_it_was_found() -> None:
    """Set-ups of the students stay: what the next look finds is what this one found."""
    with one_bench(seed=4) as bench:
        bench.person.touch_panel("INP1:COUP AC;:TRIG:LEV 0.7;:SENS2:VOLT:RANG:PTP 40")
        found = run_check(station_of(bench), RunHooks(), Context())["panel"]
        document = looked(bench, Context(panel=found))
    assert document["panel"] == found
    assert document["findings"] == []
