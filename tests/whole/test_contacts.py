"""Probes that lose contact for a millisecond: no firmware is failed for it, and none is let off by it."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.scope.capture import Capture
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.retaking import DENIED
from tests.whole.benches import TEXT, codes, echo_document, one_bench, remembering, station_of, verdicts

OFTEN = "contact:60"
"""So often that about every second record holds a gap."""
SEEDS = 3


def labels_of(**kinds: Any) -> tuple[dict[str, Any], list[str]]:
    """The document and what was kept on the way."""
    labels: list[str] = []

    def keep(_capture: Capture, label: str) -> None:
        labels.append(label)

    return echo_document(hooks=RunHooks(keep=keep), **kinds), labels


@pytest.mark.parametrize("baud", [230_400, 4_800])
def test_a_contact_that_is_lost_again_and_again_fails_no_firmware(baud: int) -> None:
    """Shorter than a character (4,800 Bd) or as long as a break of many: void at most, and named."""
    told = 0
    for seed in range(SEEDS):
        document = echo_document(b"Tide 7", bench=OFTEN, seed=seed, baud=baud)
        assert "fail" not in verdicts(document).values()
        assert codes(document, "device") == []
        told += "contact-lost" in codes(document, "bench")
    assert told


def test_the_probe_on_the_to_target_line_fails_no_firmware_either() -> None:
    """What the firmware answered to all that was sent, it was sent."""
    told = 0
    for seed in range(SEEDS):
        document = echo_document(b"Tide 7", bench="contact-to-target:60", seed=seed, baud=9600)
        assert codes(document, "device") == []
        told += "contact-lost" in codes(document, "bench")
    assert told


@pytest.mark.parametrize("firmware", ["sends-break", "drops-one", "flips-bit"])
def test_what_the_link_heard_too_is_not_taken_again(firmware: str) -> None:
    """Two witnesses agree: the firmware fails at once."""
    document, labels = labels_of(firmware=firmware, seed=5)
    assert document["verdict"] == "fail"
    assert not [label for label in labels if label.startswith(DENIED)]


@pytest.mark.parametrize("firmware", ["framing", "parity-bit"])
def test_wrong_stop_bits_that_a_receiver_forgives_fail_when_they_are_seen_twice(firmware: str) -> None:
    """The link hears the right echo: a second take decides, and shows the same."""
    document, labels = labels_of(firmware=firmware, seed=5)
    assert document["verdict"] == "fail"
    assert codes(document) == ["framing-error"]
    assert DENIED + "shot 1" in labels


@pytest.mark.parametrize("firmware", ["sends-break", "drops-one", "doubles-one"])
def test_a_bad_contact_lets_no_bad_firmware_pass(firmware: str) -> None:
    """It fails or is void, on every seed."""
    for seed in range(3):
        document = echo_document(firmware=firmware, bench="contact:20", seed=seed)
        assert document["verdict"] != "pass"


def test_a_run_that_died_between_two_takes_goes_on_with_the_second() -> None:
    """The first is not taken again, what the link had heard is still known, and so is the finding."""
    hooks, kept = remembering()
    for seed in range(40):
        kept.clear()
        with one_bench(bench=OFTEN, seed=seed) as bench:
            station = station_of(bench)
            before = run_echo_test(station, TEXT, hooks)
            if DENIED + "shot 1" not in kept:
                continue
            first = kept[DENIED + "shot 1"]
            del kept["shot 1"]
            again = run_echo_test(station, TEXT, hooks)
        assert kept[DENIED + "shot 1"] is first
        assert "shot 1" in kept
        assert "contact-lost" in codes(before)
        assert "contact-lost" in codes(again)
        return
    pytest.fail("no seed lost its contact in the record: the bench does not provoke what it is there for")


@pytest.mark.soak
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("bench", ["intermittent", "intermittent-to-target"])
def test_two_hundred_benches_with_a_bad_contact_fail_no_firmware(bench: str) -> None:
    """None of them: one in 25 was failed by a break that nobody had sent."""
    failed = [s for s in range(200) if echo_document(bench=bench, seed=s)["verdict"] == "fail"]
    assert failed == []
