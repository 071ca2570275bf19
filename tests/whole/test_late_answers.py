"""Answers that come when nobody looks any more: to characters before the test, and after the record."""

from __future__ import annotations

import pytest

from drivers.scope.capture import Capture
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.pipeline.expectation import Limits
from tests.whole.benches import TEXT, codes, echo_document, one_bench, remembering, station_of, verdicts

STRICT = Limits(latency_max_s=5e-4)
"""Five times that is listened for: half of the 5 ms that the firmware `late` takes."""


def test_a_held_sounding_character_that_comes_back_in_the_test_is_no_extra_echo() -> None:
    """Firmware that answers one character late still owes those that were sent before the test.

    It is failed for what it does in the test: the order, and the last character that never comes.
    """
    document = echo_document(TEXT, firmware="swaps-pair", seed=5)
    assert "echo-out-of-order" in codes(document)
    assert "echo-extra" not in codes(document)
    extras = [e for e in document["echoes"] if e["status"] == "extra"]
    assert {(e["echoed"], e["judged"]) for e in extras} == {(0x55, False)}


def test_the_debt_is_paid_once() -> None:
    """Firmware that answers everything and more owes nothing: its doubled 0x55 count in full."""
    document = echo_document(b"UUUUU", firmware="doubles-one", seed=5)
    assert codes(document) == ["echo-extra"]
    assert verdicts(document)["content"] == "fail"


def test_echoes_after_the_record_s_end_are_taken_again_in_a_longer_one() -> None:
    """Late is late and not missing: each echo has its latency. The short record is kept as a look."""
    labels: list[str] = []

    def keep(_capture: Capture, label: str) -> None:
        labels.append(label)

    with one_bench(firmware="late", seed=5) as bench:
        station = station_of(bench, limits=STRICT)
        document = run_echo_test(station, b"Tide 7", RunHooks(keep=keep))
    assert codes(document) == ["echo-late"]
    assert verdicts(document)["content"] == "pass"
    assert [e["stop_end_to_start_s"] for e in document["echoes"]] == [pytest.approx(5e-3, rel=0.01)] * 6
    assert labels[-2:] == ["too short: shot 1", "shot 1"]


def test_a_run_that_died_after_the_short_record_goes_on_with_the_longer_one() -> None:
    """What was kept is not taken again."""
    hooks, kept = remembering()
    with one_bench(firmware="late", seed=5) as bench:
        station = station_of(bench, limits=STRICT)
        run_echo_test(station, b"Tide 7", hooks)
        del kept["shot 1"]
        document = run_echo_test(station, b"Tide 7", hooks)
    assert codes(document) == ["echo-late"]
    assert set(kept) >= {"too short: shot 1", "shot 1"}


def test_a_memory_that_holds_no_more_is_not_asked_twice() -> None:
    """Then the record cannot tell, and the verdict says so."""
    labels: list[str] = []

    def keep(_capture: Capture, label: str) -> None:
        labels.append(label)

    with one_bench(firmware="late", seed=5, memory=16_000) as bench:
        document = run_echo_test(station_of(bench, limits=STRICT), b"Tide 7", RunHooks(keep=keep))
    assert not [label for label in labels if label.startswith("too short")]
    assert verdicts(document)["timing"] != "pass"
