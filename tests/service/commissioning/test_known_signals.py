"""Mistakes that read back right are found by a signal that is known from outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.commissioning.outcome import DIFFERS, FAILS, WORKS
from service.commissioning.signal_lines import Reference, Traffic
from simulator.bench import Bench, open_benches
from tests.service.commissioning.walks import cousin, line, on_bench

TRAFFIC_MISTAKES = {
    "slopes exchanged": (
        '[trigger.slope]\nwrite = "TRIG:SLOP {value}"\nquery = "TRIG:SLOP?"\n'
        'words = {rising = "NEG", falling = "POS"}\n',
        "traffic trigger place",
        "[trigger.slope]",
    ),
    "twice the interval": (
        '[sweep.interval]\nwrite = "SENS:SWE:TINT {value}"\nquery = "SENS:SWE:TINT?"\nfactor = 2\n',
        "traffic rate",
        "times as fast",
    ),
    "the place from the other end": (
        '[sweep.place]\nwrite = "SENS:SWE:OREF:LOC {value}"\nquery = "SENS:SWE:OREF:LOC?"\n'
        'means = "part-before"\nfactor = 0.5\n',
        "traffic trigger place",
        "[sweep.place]",
    ),
    "half the codes": (
        '[fetch]\nbefore = "FORM:DATA INT,8"\nquery = "FETC:VOLT? (@{channel})"\n[fetch.terms]\n'
        'window = {setting = "range"}\ncodes_per_window = 128\nvolts_at_reference = {setting = "offset"}\n',
        "volts in two windows",
        "terms of the conversion",
    ),
}


@pytest.mark.parametrize("mistake", TRAFFIC_MISTAKES)
def test_mistakes_that_read_back_right_are_found_by_a_known_signal(
    bench: Bench, tmp_path: Path, mistake: str
) -> None:
    """A wrong unit in both directions cancels out in every read-back: only the signal knows."""
    text, name, words = TRAFFIC_MISTAKES[mistake]
    result = line(on_bench(bench, cousin(tmp_path, text)), name)
    assert result.outcome == FAILS
    assert words in result.says


def test_a_probe_that_is_switched_otherwise_is_told_by_the_levels() -> None:
    """The dialect is right and the bench is not: 33 V of logic swing."""
    with open_benches(seed=3, bench="both-ratios-off") as (bench,):
        result = line(on_bench(bench), "traffic levels")
    assert result.outcome == DIFFERS
    assert "probe's switch" in result.says


def test_a_link_at_another_rate_is_told(bench: Bench) -> None:
    """Simulated lines follow the rate of the bench, the link says another: a ratio, not a riddle."""
    result = line(on_bench(bench, traffic=Traffic(bench.addresses.serial, 115_200)), "traffic rate")
    assert result.outcome == FAILS
    assert "2 times as fast" in result.says or "1.99" in result.says or "2.00" in result.says


@pytest.mark.parametrize(
    ("kind", "hertz", "volts", "rate", "levels"),
    [
        ("reference-slow", 920.0, 5.0, WORKS, WORKS),
        ("reference-slow", 1000.0, 5.0, DIFFERS, WORKS),
        ("reference-slow", 9200.0, None, FAILS, None),
        ("reference-low", 1000.0, 3.9, WORKS, WORKS),
        ("reference-low", 1000.0, 5.0, WORKS, FAILS),
    ],
)
def test_a_reference_square_wave_proves_rate_and_height(
    kind: str, hertz: float, volts: float | None, rate: str, levels: str | None
) -> None:
    """With both tips on the scope's own reference terminal."""
    with open_benches(seed=3, bench=kind) as (bench,):
        done = on_bench(bench, traffic=None, reference=Reference(hertz, volts))
    outcomes = {r.line: r.outcome for r in done.lines}
    assert outcomes.get("reference rate", FAILS) == rate
    assert outcomes.get("reference levels") == levels
    if rate == WORKS:
        assert outcomes["reference trigger place"] == WORKS
