"""The unattended station check against simulated benches, over real sockets."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from service.check.asked import Asked
from service.check.check import run_check
from service.check.context import Context
from service.hooks import RunHooks
from simulator.bench import open_benches
from simulator.faults import BENCHES, FIRMWARES
from tests.whole.benches import one_bench, station_of
from tests.whole.check_benches import (
    BENCH_KINDS,
    FIRMWARE_KINDS,
    check_of,
    first_code,
    told_codes,
    usual_of_good,
)

DAILY = ("both-ratios-off", "probe-undercompensated", "slow-timebase", "loose-ground", "left-on-reference")
"""A slice for every day; all kinds are soak."""
DAILY_FIRMWARES = ("changes-case", "wrong-rate", "half-rate")
UNATTENDED = ("echo", "check", "usual")
"""Kinds that such a check must see; the others are for a person, for the room, or for history."""
TRANSPORTS = ("socket", "hislip", "vxi11")


@pytest.mark.parametrize(("seed", "transport"), list(zip((1, 2, 3), TRANSPORTS, strict=True)))
def test_a_good_station_is_ready_with_nothing_to_do(seed: int, transport: str) -> None:
    """Every item passes, no finding, whatever the way to the scope."""
    document = check_of(seed=seed, transport=transport)
    assert [i for i in document["items"] if i["verdict"] != "pass"] == []
    assert document["findings"] == []
    assert (document["outcome"], document["first_step"]) == ("ready", "Nothing to do.")
    names = {item["name"] for item in document["items"]}
    assert {"to_target.zero", "from_target.compensation", "time_base", "second_shots", "echo_errors"} <= names


@pytest.mark.parametrize("name", DAILY)
def test_a_fault_of_the_bench_is_named_first(name: str) -> None:
    """And it is no ready station."""
    document = check_of(bench=name, seed=5)
    assert told_codes(document)[0] == first_code(BENCH_KINDS[name])
    assert document["outcome"] != "ready"
    assert document["first_step"] == document["causes"][0]["first"]


@pytest.mark.parametrize("name", DAILY_FIRMWARES)
def test_another_firmware_than_the_golden_one_leaves_practice_and_says_what_to_load(name: str) -> None:
    """Scope, probes and link were proven by the to-target line; the board's own fault is named."""
    document = check_of(firmware=name, seed=5)
    assert FIRMWARE_KINDS[name].finding in told_codes(document)
    assert document["outcome"] == "practice-only"
    assert "golden" in document["first_step"]
    assert len(document["causes"]) == 1


def test_more_volts_than_there_may_be_are_told_at_once_and_before_everything_else() -> None:
    """Needs of this house, 9.12: 9 V on a line of 3.3 V logic; the tip comes off and staff is called."""
    told: list[str] = []
    hooks = RunHooks(progress=lambda step, message, _part: told.append(message) if step == "stop" else None)
    document = check_of(bench="nine-volts", seed=5, hooks=hooks)
    assert told[0].startswith("STOP: ch2 reads 9")
    assert told_codes(document)[0] == "voltage-too-high"
    assert document["first_step"].startswith("Take the tip off")
    assert document["outcome"] == "not-usable"
    assert len(document["causes"]) == 1


def test_a_board_whose_boot_loader_still_waits_is_told_to_be_reset() -> None:
    """Not "load the golden firmware": it may well be there, and does not run yet (needs, C7)."""
    document = check_of(firmware="boot-loader", seed=5)
    assert told_codes(document)[0] == "boot-loader-waiting"
    assert [cause["cause"] for cause in document["causes"]] == ["boot-loader-waiting"]
    assert document["first_step"].startswith("Press the board's reset")


def test_a_scope_that_is_away_is_not_seen_rather_than_bad() -> None:
    """contract.md 3b: not-seen; the first step is at the plug."""
    with one_bench(seed=1) as bench:
        station = station_of(bench)
    document = run_check(station, RunHooks(), Context())
    assert (document["outcome"], told_codes(document)) == ("not-seen", ["scope-silent"])
    assert "cable is plugged in" in document["first_step"]


def test_a_gain_that_moved_by_three_percent_is_found_against_the_usual() -> None:
    """A4: 3 % is within what levels may be, and still not what this station shows."""
    document = check_of(bench="gain-3-percent", seed=5, context=Context(usual=usual_of_good(5)))
    assert told_codes(document)[0] == "differs-from-usual"
    assert document["outcome"] == "practice-only"


@pytest.mark.soak
@pytest.mark.timeout(180)
@pytest.mark.parametrize("seed", [5, 11])
@pytest.mark.parametrize("name", [kind.name for kind in BENCHES if kind.seen_by in UNATTENDED])
def test_every_kind_of_bench_gets_its_finding_first(name: str, seed: int) -> None:
    """The matrix of issue 6: right finding first, one cause where there is one fault."""
    kind = BENCH_KINDS[name]
    context = Context(usual=usual_of_good(seed)) if kind.seen_by == "usual" else None
    document = check_of(bench=name, seed=seed, frame=kind.frame or "8N1", context=context)
    expected = first_code(kind)
    assert told_codes(document)[:1] == ([expected] if expected else [])
    assert len(document["causes"]) == (1 if expected else 0), document["causes"]
    assert (document["outcome"] == "ready") == (expected is None)


def test_repeats_without_a_touch_give_the_scatter_of_every_item() -> None:
    """A baseline rests on them; here two."""
    context = Context(asked=Asked(repeats=2))
    told = check_of(seed=6, context=context)["repeats"]
    assert all(len(one["values"]) == 2 for one in told.values())
    rate = told["from_target.rate"]
    assert rate["unit"] == "%"
    assert 0 < rate["within"] < 0.01
    assert rate["mean"] == pytest.approx(sum(rate["values"]) / 2)


PAIRS = (
    ("noisy-to-target", "probe-undercompensated"),
    ("both-ratios-off", "slow-timebase"),
    ("stimulus-differs", "offset"),
    ("self-test-fails", "probe-overcompensated"),
    ("long-ground", "bridge-clock-off"),
    ("errors-left", "probe-ratio-off"),
)


@pytest.mark.soak
@pytest.mark.timeout(180)
@pytest.mark.parametrize("pair", PAIRS, ids="+".join)
def test_two_faults_at_once_are_both_named_and_nothing_else_comes_first(pair: tuple[str, str]) -> None:
    """Independent faults stay two causes."""
    document = check_of(bench="+".join(pair), seed=5)
    expected = {first_code(BENCH_KINDS[name]) for name in pair}
    assert expected <= set(told_codes(document))
    assert told_codes(document)[0] in expected
    assert len(document["causes"]) == 2, document["causes"]


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_a_room_of_forty_is_checked_six_at_a_time() -> None:
    """Each over its own sockets; the window is a matter of `make bench`, the outcome is not."""
    with open_benches(count=40, seed=77) as benches, ThreadPoolExecutor(6) as pool:
        stations = [station_of(bench) for bench in benches]
        documents = list(pool.map(lambda s: run_check(s, RunHooks(), Context()), stations))
    assert [d["outcome"] for d in documents] == ["ready"] * 40


@pytest.mark.soak
@pytest.mark.parametrize("name", [kind.name for kind in BENCHES if kind.seen_by == "trigger"])
def test_every_trigger_that_was_left_wrong_is_named_first_by_the_part_for_it(name: str) -> None:
    """`--only trigger`; the whole check sets its own trigger and is not harmed by any of them."""
    document = check_of(bench=name, seed=5, only=("trigger",))
    assert told_codes(document)[0] == BENCH_KINDS[name].finding
    assert len(document["causes"]) == 1, document["causes"]


@pytest.mark.soak
@pytest.mark.timeout(180)
@pytest.mark.parametrize("name", [kind.name for kind in FIRMWARES])
def test_every_seeded_fault_of_a_firmware_is_caught_for_the_right_reason(name: str) -> None:
    """A7: the golden firmware passes, each bad one is caught, nothing is blamed on the bench."""
    kind = FIRMWARE_KINDS[name]
    document = check_of(firmware=name, seed=5, frame=kind.frame or "8N1")
    codes = told_codes(document)
    assert (kind.finding in codes) if kind.finding else (codes == [])
    blamed = {f["side"] for f in document["findings"] if f["severity"] == "fail"}
    assert blamed <= {"device"}


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_at_most_two_of_a_thousand_good_checks_are_false_alarms() -> None:
    """Issue 6, "seen working means"."""
    alarms = [seed for seed in range(1000, 2000) if check_of(seed=seed)["outcome"] != "ready"]
    assert len(alarms) <= 2, alarms
