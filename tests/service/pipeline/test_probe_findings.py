"""Findings about probe factors, on lines made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.pipeline.evidence import ReadShot
from tests.service.pipeline.builders import (
    LOOKS,
    echo_of,
    flat,
    line,
    shot,
)
from tests.service.pipeline.judging import BACK, KNOWN, SENT, codes, judged, verdicts


@pytest.mark.parametrize("factor", [0.1, 10.0])
@pytest.mark.parametrize("lines", [("to_target",), ("from_target",), ("to_target", "from_target")])
@pytest.mark.parametrize("logic", ["3.3", None])
def test_a_wrong_probe_factor_voids_the_levels_and_nothing_else(
    factor: float, lines: tuple[str, ...], logic: str | None
) -> None:
    """Ten times too large or too small, on either line or both, with the family stated or not."""

    def looks(role: str) -> Any:
        scale = factor if role in lines else 1.0
        base = LOOKS if role == "to_target" else BACK
        return replace(base, high_v=3.3 * scale, noise_v=0.005 * scale)

    document = judged(
        shot(SENT, echo_of(SENT), to=looks("to_target"), back=looks("from_target")),
        expectation=replace(KNOWN, logic=logic),
    )
    assert [c for c in codes(document) if c[0] == "probe-ratio"] == [
        ("probe-ratio", "bench", r) for r in lines
    ]
    assert not [c for c in codes(document) if c[1] == "device"]
    assert verdicts(document) == dict.fromkeys(verdicts(document), "pass") | {"levels": "inconclusive/bench"}


@pytest.mark.parametrize(("factor", "both"), [(10.0, False), (10.0, True), (0.1, True)])
def test_a_wrong_probe_factor_on_a_line_at_rest_is_no_level_of_the_firmwares(
    factor: float, both: bool
) -> None:
    """Silent firmware and a wrong factor: the silence is the firmware's, the 33 V are not."""
    span = (-1e-4, 4e-3)
    to = replace(LOOKS, high_v=3.3 * factor) if both else LOOKS
    document = judged(ReadShot(line(SENT, to, span=span), flat(3.3 * factor, BACK, span=span)))
    device = [c for c, side, _ in codes(document) if side == "device"]
    assert device == ["echo-missing"]
    assert ("probe-ratio", "bench", "from_target") in codes(document)
    assert verdicts(document)["levels"] == "inconclusive/bench"


@pytest.mark.parametrize("logic", ["rs232", None])
def test_an_rs232_line_at_one_tenth_is_said_to_be_ambiguous(logic: str | None) -> None:
    """+-0.9 V may be +-9 V at the wrong factor or a weak line at the right one: both are said."""
    looks = replace(LOOKS, low_v=-0.9, high_v=0.9, noise_v=0.002, idle_high=False)
    document = judged(shot(SENT, echo_of(SENT), to=looks), expectation=replace(KNOWN, logic=logic))
    found = [f for f in document["findings"] if f["code"] == "probe-ratio"]
    assert [f["line"] for f in found] == ["to_target", "from_target"]
    assert all("ambiguous" in f["message"] and f["evidence"]["ambiguous"] for f in found)
    assert verdicts(document)["levels"] == "inconclusive/bench"


def test_a_right_probe_factor_is_left_alone() -> None:
    """Real levels of every family raise nothing about the probe."""
    for logic, low, high in (("1.8", 0, 1.8), ("2.5", 0, 2.5), ("5-ttl", 0.2, 3.6), ("5-cmos", 0, 5),
                             ("rs232", -8, 8)):  # fmt: skip
        looks = replace(LOOKS, low_v=low, high_v=high, idle_high=logic != "rs232")
        document = judged(shot(SENT, echo_of(SENT), to=looks), expectation=replace(KNOWN, logic=logic))
        assert codes(document) == [], logic
        assert document["verdict"] == "pass"
