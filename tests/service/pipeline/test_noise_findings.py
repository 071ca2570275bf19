"""Findings about noise and glitches: what they void, and what they only excuse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.evidence import ReadShot
from tests.service.pipeline.builders import (
    LOOKS,
    echo_of,
    flat,
    shot,
)
from tests.service.pipeline.judging import BACK, SENT, codes, finding, judged, verdicts


def test_noise_warns_before_it_voids() -> None:
    """Half the swing over the noise: 12 dB warns, 5 dB voids everything."""
    loud = judged(shot(SENT, echo_of(SENT), back=replace(BACK, noise_v=0.41)))
    assert codes(loud) == [("noisy", "bench", "from_target")]
    assert verdicts(loud)["content"] == "pass"
    louder = judged(shot(SENT, echo_of(SENT)[:-1], back=replace(BACK, noise_v=0.95)))
    assert codes(louder) == [("noisy", "bench", "from_target")]
    assert set(verdicts(louder).values()) == {"inconclusive/bench"}


def test_noise_that_could_hide_a_signal_is_not_called_silence() -> None:
    """No two levels were found, but the noise is as large as the signal would be."""
    hidden = flat(1.65, replace(LOOKS, noise_v=1.2), span=(-1e-4, 4e-3))
    document = judged(ReadShot(hidden, flat(3.3, BACK, span=(-1e-4, 4e-3))))
    assert codes(document) == [("noisy", "bench", "to_target")]


@pytest.mark.parametrize(("margin", "severity"), [(9.0, "warning"), (2.5, "fail")])
@pytest.mark.parametrize("fault", ["changed", "missing"])
def test_a_fault_that_noise_may_have_made_is_not_the_firmwares(
    margin: float, severity: str, fault: str
) -> None:
    """A wrong character whose weakest bit stood 2.5 sigma out of the noise voids, one that stood 9 fails."""
    echoed = echo_of(SENT)
    if fault == "changed":
        echoed[2] = replace(echoed[2], value=0x65)
    else:
        del echoed[2]
    given = shot(SENT, echoed, back=replace(BACK, noise_v=0.5))
    margins = np.full(len(echoed), 20.0)
    margins[2] = margin
    characters = replace(given.from_target.characters, confidence=margins)
    document = judged(replace(given, from_target=replace(given.from_target, characters=characters)))
    assert finding(document, "noisy")["severity"] == severity
    assert verdicts(document)["content"] == ("fail" if severity == "warning" else "inconclusive/bench")


def test_short_pulses_are_named_and_excuse_what_they_may_have_spoilt() -> None:
    """Glitches beside a good echo leave it good; beside a lost one they are the likelier cause."""
    spiky = replace(LOOKS, glitches=3)
    good = judged(shot(SENT, echo_of(SENT), to=spiky, back=BACK))
    assert codes(good) == [("glitches", "bench", "to_target")]
    assert good["verdict"] == "pass"
    bad = judged(shot(SENT, echo_of(SENT)[1:], to=spiky, back=BACK))
    assert verdicts(bad)["content"] == "inconclusive/bench"
