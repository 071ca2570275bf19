"""What somebody who only knows the contract tried on saved captures, kept as promises.

Waveforms are closed forms of tests/reference.py; expected outcomes follow from the rule of fairness.
"""

from __future__ import annotations

import pytest

from tests.service.pipeline.two_lines import KNOWN, bench, judged, said, values, verdict

TEXT = b"Tide 7!\x00\xffUZ"
BAUD = 230_400.0


@pytest.mark.parametrize("percent", [6, 8, 10, 15, 50])
def test_a_pc_that_speaks_too_fast_is_named_and_fails_nobody(percent: float) -> None:
    """The receiver margin is 5.26 % (0.5 of 9.5 bits); beyond it characters still read as they were sent."""
    document = judged(
        bench(TEXT, baud=BAUD * (1 + percent / 100), back_baud=BAUD, gap_s=1e-4), expectation=KNOWN
    )
    assert ("rate-off", "to_target") in said(document)
    assert document["verdict"] != "fail"
    assert values(document, "to_target") == TEXT
    rate = document["lines"]["to_target"]["baud"]
    assert rate["value"] == pytest.approx(BAUD * (1 + percent / 100), rel=1e-3)


@pytest.mark.parametrize("percent", [6, 10, 15])
def test_a_firmware_that_speaks_too_fast_fails_by_its_rate_alone(percent: float) -> None:
    """Not by characters that a decoder at the nominal rate would make of it."""
    document = judged(bench(TEXT, back_baud=BAUD * (1 + percent / 100), gap_s=1e-4))
    assert said(document) == {("rate-off", "from_target")}
    assert verdict(document, "rate") == "fail"
    assert verdict(document, "content") == "pass"
