"""The whole job over the real transports: send, capture, decode, measure, judge."""

from __future__ import annotations

import json

import pytest

import drivers
from drivers.scope.capture import Capture
from service.echo_test import run_echo_test
from service.hooks import RunCancelled, RunHooks
from service.pipeline.readings import FrameFormat
from tests.whole.benches import TEXT, TRANSPORTS, echo_document, one_bench, station_of


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_a_good_firmware_passes_and_its_rate_is_that_of_the_simulated_clocks(transport: str) -> None:
    """Within 50 ppm of what target clock and scope clock together must show."""
    with one_bench(seed=11) as bench:
        document = run_echo_test(station_of(bench, transport), TEXT, RunHooks())
        plan = bench.plan
    assert document["verdict"] == "pass"
    assert bytes(c["value"] for c in document["lines"]["from_target"]["characters"]) == TEXT
    # a scope whose clock is fast by e sees everything longer by e, so rates smaller
    seen = plan.target.end.baud * (1 + 1e-6 * (plan.target.end.clock_ppm - plan.scope.clock_ppm))
    baud = document["lines"]["from_target"]["baud"]
    assert abs(baud["value"] / seen - 1) < 50e-6
    assert abs(baud["value"] - plan.target.end.baud) < baud["u"] + 1e-4 * plan.target.end.baud


@pytest.mark.parametrize(
    ("baud", "frame"), [(9600.0, "8N1"), (115_200.0, "7E1"), (57_600.0, "8O2"), (921_600.0, "8N1")]
)
def test_other_rates_and_frames_pass_too(baud: float, frame: str) -> None:
    """The plan of the shots follows the station's line."""
    document = echo_document(b"North quay 3", baud=baud, frame=frame, seed=2)
    assert document["verdict"] == "pass"
    assert document["lines"]["to_target"]["frame"]["best"] == frame


def test_all_256_values_come_back() -> None:
    """Nothing on the way takes a value for something else: 0x00, 0x0A, 0x11, 0x13, 0xFF included."""
    document = echo_document(bytes(range(256)), seed=3)
    assert document["verdict"] == "pass"
    assert [e["echoed"] for e in document["echoes"]] == list(range(256))


def test_a_small_memory_means_several_shots_and_the_same_verdict() -> None:
    """Every capture is handed out before it is judged, in order, and nothing of the payload is lost."""
    kept: list[tuple[Capture, str]] = []
    hooks = RunHooks(keep=lambda capture, label: kept.append((capture, label)))
    document = echo_document(TEXT, hooks=hooks, memory=12_000, seed=4)
    labels = [label for _, label in kept]
    assert document["verdict"] == "pass"
    assert sum(label.startswith("shot") for label in labels) > 1
    assert bytes(e["sent"] for e in document["echoes"]) == TEXT
    assert len({c["shot"] for c in document["lines"]["to_target"]["characters"]}) > 1


def test_the_same_seed_gives_the_same_document_to_the_last_digit() -> None:
    """With the virtual clock nothing depends on the machine."""
    first, second = (echo_document(b"Slack water", seed=9) for _ in range(2))
    assert json.dumps(first) == json.dumps(second)


def test_a_scope_that_dies_in_the_middle_of_a_block_is_a_clear_error_and_the_next_run_works() -> None:
    """Half a record is never judged."""
    with one_bench(seed=6, faults=("dies-in-block",)) as bench:
        station = station_of(bench)
        with pytest.raises(drivers.DriverError) as told:
            run_echo_test(station, TEXT, RunHooks())
        assert station.scope in str(told.value)
    with one_bench(seed=6) as bench:
        assert run_echo_test(station_of(bench), TEXT, RunHooks())["verdict"] == "pass"


def test_a_scope_that_is_not_there_is_not_reachable() -> None:
    """And the message names the address."""
    with one_bench(seed=6) as bench:
        station = station_of(bench, scope="TCPIP::127.0.0.1::9::SOCKET")
        with pytest.raises(drivers.NotReachable, match=r"127\.0\.0\.1::9"):
            run_echo_test(station, TEXT, RunHooks())


def test_another_scope_at_the_address_is_a_finding_and_nothing_is_judged() -> None:
    """A swapped instrument is noticed before a verdict rests on it."""
    with one_bench(seed=6) as bench:
        own = run_echo_test(
            station_of(bench, identity=f",,{bench.plan.scope.serial_number},"), b"A", RunHooks()
        )
    with one_bench(seed=6, bench="other-scope") as bench:
        other = run_echo_test(station_of(bench, identity=",,SN-1042,"), b"A", RunHooks())
    assert own["verdict"] == "pass"
    assert other["verdict"] == "inconclusive"
    assert "identity-changed" in [f["code"] for f in other["findings"]]
    assert {c["cause"] for c in other["criteria"]} == {"bench"}


def test_a_scope_is_left_as_it_was_found_when_the_station_asks_for_it() -> None:
    """What people had set on the front panel stands there again after a run."""
    with one_bench(seed=6) as bench:
        with drivers.open_scope(bench.addresses.socket, "scpi-1999") as scope:
            scope.conversation.link.write("SENS:SWE:TINT 3E-6;POIN 777;:TRIG:LEV 0.25")
        run_echo_test(station_of(bench, leave_as_found=True), b"A", RunHooks())
        with drivers.open_scope(bench.addresses.socket, "scpi-1999") as scope:
            found = scope.conversation.link.query("SENS:SWE:TINT?;POIN?;:TRIG:LEV?")
    assert [float(part) for part in found.split(";")] == [3e-6, 777, 0.25]


def test_a_cancelled_run_stops_and_leaves_the_scope_usable() -> None:
    """The next run on the same bench passes."""
    asked = iter([False, False, False, True])
    with one_bench(seed=6) as bench:
        station = station_of(bench)
        with pytest.raises(RunCancelled):
            run_echo_test(station, TEXT, RunHooks(cancelled=lambda: next(asked, True)))
        assert run_echo_test(station, TEXT, RunHooks())["verdict"] == "pass"


def test_a_station_file_with_another_rate_than_the_board_is_told_apart_from_a_deaf_board() -> None:
    """The PC speaks at 115,200 Bd as told; a board at 230,400 Bd answers what it makes of that."""
    with one_bench(seed=6) as bench:
        station = station_of(bench, baud=115_200.0, frame=FrameFormat(8, "N", 1))
        document = run_echo_test(station, b"ABC", RunHooks())
    assert document["verdict"] in ("fail", "inconclusive")
    assert [f["code"] for f in document["findings"] if f["severity"] != "info"]
