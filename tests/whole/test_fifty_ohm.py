"""A station may say that its inputs are at 50 ohm: for probes that are made for it, and harmless levels."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.stations import Probe
from simulator.bench import Bench
from simulator.clock import VirtualClock
from simulator.faults import bench_plan
from simulator.plan import with_probe
from tests.whole.benches import ROLES, TEXT, codes, station_of


@pytest.fixture(params=["standard", "gannet"])
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Both probes are 450 ohm in series with the input: ten to one at 50 ohm, and only there."""
    plan = bench_plan(scope=request.param, seed=5)
    running = Bench(with_probe(with_probe(plan, 1, tip_ohm=450.0), 2, tip_ohm=450.0), VirtualClock())
    yield running
    running.close()


def test_probes_for_50_ohm_pass_where_the_station_says_so_and_the_person_is_warned(bench: Bench) -> None:
    """Before the input is switched a caution is said; afterwards the input is at 1 megohm again."""
    said: list[str] = []
    hooks = RunHooks(progress=lambda _step, message, _fraction: said.append(message))
    probes = {role: Probe(n, 10, 50.0) for role, n in zip(ROLES, bench.scope.maker.channels, strict=True)}
    document = run_echo_test(station_of(bench, probes=probes), TEXT, hooks)
    assert document["verdict"] == "pass"
    assert "CAUTION" in said[0]
    assert "50 ohm" in said[0]
    assert [channel.impedance for channel in bench.scope.settings.channels] == [1e6, 1e6]


def test_the_same_probes_at_1_megohm_are_a_wrong_ratio_and_no_fault_of_the_board(bench: Bench) -> None:
    """A station that forgot to say it is told so, and nobody switches anything unasked."""
    document = run_echo_test(station_of(bench), TEXT, RunHooks())
    assert "probe-ratio" in codes(document, "bench")
    assert codes(document, "device") == []
    assert document["verdict"] != "fail"
