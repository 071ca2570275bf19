"""Every kind of firmware and of bench that the simulator knows gives its finding in an echo test."""

from __future__ import annotations

import pytest

from simulator.faults import BENCHES, FIRMWARES, Kind
from tests.whole.benches import TEXT, codes, echo_document, verdicts

TEXTS = {"slows-down": b"Quay 3"}
"""What is sent where the usual text does not fit: six answers of this board fit into one record."""
SHOWN_BY_AN_ECHO_TEST = tuple(k for k in BENCHES if k.seen_by == "echo")


THE_BOARDS_OWN = ("board-clock-off", "nine-volts")
"""Kinds of bench that are the device's doing."""
ODDEST = ("reference", "both", "dead")
"""What in a name says that the lines carry something else than an echo test; the others are for soak."""


def unnamed() -> list[object]:
    """Kinds that only a station check has a name for."""
    return [
        pytest.param(k, id=k.name, marks=() if any(o in k.name for o in ODDEST) else pytest.mark.soak)
        for k in BENCHES
        if k.seen_by != "echo" and k.name not in THE_BOARDS_OWN
    ]


def named(rows: tuple[Kind, ...]) -> list[object]:
    return [pytest.param(row, id=row.name) for row in rows]


@pytest.mark.parametrize("kind", named(FIRMWARES))
def test_each_firmware_gets_the_verdict_that_it_deserves(kind: Kind) -> None:
    """A fault of the firmware is found under its name; nothing is blamed on the bench."""
    text = TEXTS.get(kind.name, TEXT)
    document = echo_document(text, firmware=kind.name, seed=5, frame=kind.frame or "8N1")
    assert codes(document, "bench") == []
    if kind.finding is None:
        assert document["verdict"] == "pass"
        assert codes(document) == []
    else:
        assert kind.finding in codes(document, "device")
        assert "fail" in verdicts(document).values()


@pytest.mark.parametrize("kind", named(SHOWN_BY_AN_ECHO_TEST))
def test_a_fault_of_the_bench_is_named_and_never_fails_the_firmware(kind: Kind) -> None:
    """The firmware is good in all of these: a device finding or a failed criterion would be unfair."""
    document = echo_document(bench=kind.name, seed=5, frame=kind.frame or "8N1")
    assert codes(document, "device") == []
    assert "fail" not in verdicts(document).values()
    if kind.finding is not None:
        assert kind.finding in [f["code"] for f in document["findings"]]


@pytest.mark.parametrize("kind", unnamed())
def test_a_fault_that_only_a_check_names_fails_no_firmware_either(kind: Kind) -> None:
    """The firmware is good: an echo test on such a bench may be open, or pass, but never fail."""
    document = echo_document(bench=kind.name, seed=5, frame=kind.frame or "8N1")
    assert codes(document, "device") == []
    assert "fail" not in verdicts(document).values()


def test_too_many_volts_are_told_in_an_echo_test_too() -> None:
    """A firmware's own test warns whoever is at the bench like any check (needs of this house, 9.12)."""
    document = echo_document(bench="nine-volts", seed=5)
    (told,) = [f for f in document["findings"] if f["code"] == "voltage-too-high"]
    assert (told["side"], told["line"], told["evidence"]["limit_v"]) == ("bench", "from_target", 6.0)
    assert told["evidence"]["volts"] == pytest.approx(9.0, rel=0.03)
    assert "call staff" in told["remedy"]


def test_every_code_of_a_simulated_kind_is_one_that_the_service_knows() -> None:
    """The two houses share no code: the words must still be the same."""
    from service.pipeline.findings import CODES

    known = {row.code for row in CODES}
    assert {k.finding for k in (*FIRMWARES, *BENCHES) if k.finding} <= known


@pytest.mark.parametrize(
    ("percent", "code"), [(25, "probe-overcompensated"), (-25, "probe-undercompensated")]
)
def test_a_probe_that_is_far_off_is_named_in_an_echo_test_and_no_zero_is_blamed(
    percent: int, code: str
) -> None:
    """Its low level lies off, its high level does not: the zero is right, the trimmer is not."""
    document = echo_document(bench=f"compensation:{percent}", seed=5)
    assert codes(document, "device") == []
    assert codes(document, "bench") == [code]
    (found,) = [f for f in document["findings"] if f["code"] == code]
    assert found["evidence"]["percent"] == pytest.approx(percent, abs=1)
