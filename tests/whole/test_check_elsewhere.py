"""The unattended check on other lines and other scopes than the usual one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drivers.scope.dialect_reader import load_dialect
from service.check.check import run_check
from service.check.context import Context
from service.check.limits import CheckLimits
from service.hooks import RunHooks
from service.pipeline.readings import FrameFormat
from service.stations import Probe
from tests.whole.benches import one_bench, station_of
from tests.whole.check_benches import check_of, told_codes, usual_of_good

LINES: tuple[dict[str, Any], ...] = (
    {"baud": 9_600.0},
    {"baud": 115_200.0, "frame": "7E1"},
    {"baud": 921_600.0},
    {"memory": 10_000},
    {"memory": 4_000},
    {"baud": 1_200.0},
    {"baud": 19_200.0, "frame": "8O2", "memory": 50_000},
    {"baud": 57_600.0, "frame": "5N1"},
)


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(
            line, id=" ".join(map(str, line.values())), marks=[] if n in (1, 3) else [pytest.mark.soak]
        )
        for n, line in enumerate(LINES)
    ],
)
def test_a_good_station_is_ready_at_any_rate_frame_and_memory(line: dict[str, Any]) -> None:
    """Nothing is left undecided for want of samples or of characters."""
    with one_bench(seed=3, **line) as bench:
        baud, frame = line.get("baud", 230_400.0), FrameFormat.parse(line.get("frame", "8N1"))
        document = run_check(station_of(bench, baud=baud, frame=frame), RunHooks(), Context())
    assert [i["because"] for i in document["items"] if i["verdict"] != "pass"] == []
    assert document["outcome"] == "ready"


@pytest.mark.parametrize("memory", [pytest.param(2_500, marks=pytest.mark.soak), 10_000])
def test_a_scope_with_little_memory_is_not_in_doubt_about_its_clock_each_morning(memory: int) -> None:
    """Few characters show a rate to 0.03 %: the limit is what can be proven, and the item says so (A9)."""
    context = Context(usual=usual_of_good(3, memory=memory))
    items = {i["name"]: i for i in check_of(seed=3, memory=memory, context=context)["items"]}
    moved = items["time_base_change"]
    assert {i["verdict"] for i in items.values()} == {"pass"}
    assert moved["u"] > CheckLimits().time_base_change_percent / 4
    assert moved["limit"]["max"] == pytest.approx(4 * moved["u"])
    assert "0.02 % is the station's limit" in moved["because"]


@pytest.mark.soak
def test_a_clock_that_is_off_by_more_than_its_few_samples_prove_is_still_found() -> None:
    """3 % among 4,000 samples."""
    document = check_of(bench="slow-timebase", seed=3, memory=4_000)
    assert told_codes(document)[0] == "time-base-off"


DIALECTS = Path(__file__).parent / "dialects"


@pytest.mark.parametrize("maker", ["gannet", pytest.param("curlew", marks=pytest.mark.soak)])
def test_a_good_station_is_ready_with_a_scope_of_another_maker(maker: str) -> None:
    """Driven by a dialect file alone; what that scope cannot tell is left out, not failed."""
    dialect = str(DIALECTS / f"{maker}.toml")
    to_target, from_target = list(load_dialect(dialect).channels)[:2]
    with one_bench(seed=3, scope=maker) as bench:
        probes = {"to_target": Probe(to_target, 10), "from_target": Probe(from_target, 10)}
        station = station_of(bench, dialect=dialect, probes=probes)
        document = run_check(station, RunHooks(), Context())
    assert [i["because"] for i in document["items"] if i["verdict"] != "pass"] == []
    assert (document["outcome"], document["findings"]) == ("ready", [])
