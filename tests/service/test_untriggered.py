"""When nothing triggers, a person is told which of the possible causes it was."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from drivers.scope.setup import TriggerSetup
from service.pipeline.readings import Characters, Edges, Levels, LineReading
from service.pipeline.trace import Trace
from service.untriggered import Facts, explain

TRACE = Trace(np.zeros(10, dtype=np.int8), 0.02, 1.65, 1e-7, 0.0, channel="ch1")
NOTHING = np.zeros(0)
QUIET = LineReading(
    trace=TRACE,
    levels=None,
    idle_high=None,
    edges=Edges(NOTHING, np.zeros(0, dtype=np.bool_)),
    bit_time_s=None,
    frame=None,
    possible=(),
    characters=Characters(
        values=np.zeros(0, dtype=np.int32),
        start_s=NOTHING,
        end_s=NOTHING,
        errors=np.zeros(0, dtype=np.uint8),
        first_edge=np.zeros(0, dtype=np.int64),
        last_edge=np.zeros(0, dtype=np.int64),
    ),
    flat_v=3.3,
)
BUSY = dataclasses.replace(
    QUIET,
    levels=Levels(
        low_code=-80, high_code=80, low_v=0.02, high_v=3.28, noise_v=0.01, u_low_v=0.01, u_high_v=0.01
    ),
    idle_high=True,
    flat_v=None,
)
USUAL = Facts(
    asked=TriggerSetup("1", level_v=1.65, slope="falling"),
    source="1",
    level_v=1.65,
    source_line=BUSY,
    other_line=BUSY,
    other_channel="2",
    received=b"U",
)


@pytest.mark.parametrize(
    ("facts", "code", "words"),
    [
        (dataclasses.replace(USUAL, source="2"), "instrument-error", "listens to '2'"),
        (dataclasses.replace(USUAL, level_v=-2.0), "trigger-outside-signal", "-2 V (asked: 1.65 V)"),
        (dataclasses.replace(USUAL, source_line=QUIET), "no-activity", "stays at 3.3 V, while ch2"),
        (
            dataclasses.replace(USUAL, source_line=QUIET, other_line=QUIET),
            "no-activity",
            "the board is alive",
        ),
        (
            dataclasses.replace(USUAL, source_line=QUIET, other_line=QUIET, received=b""),
            "link-silent",
            "nothing came back",
        ),
        (USUAL, "instrument-error", "yet the scope did not trigger"),
    ],
)
def test_each_cause_is_named_with_its_numbers(facts: Facts, code: str, words: str) -> None:
    """One finding, on the side of the bench, with what was seen."""
    (finding,) = explain(facts)
    assert finding.code == code
    assert finding.side == "bench"
    assert words in finding.message
    assert finding.remedy
