"""What counts as too many volts: a level that is held and that no wrong factor of ten explains."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from drivers.scope.capture import Capture, ChannelRecord, Identity, TriggerRecord
from service.hooks import RunHooks
from service.too_high import VoltageWatch
from tests.service.bench_of_straw import station

STEP_V = 0.5


def capture(volts: float, share: float = 0.5, *, rest_v: float = 0.0) -> Capture:
    """Both channels; channel 2 holds so many volts for that share of the record."""
    codes = np.full(1000, round(rest_v / STEP_V), np.int8)
    high = codes.copy()
    high[: int(share * len(codes))] = round(volts / STEP_V)
    records = tuple(
        ChannelRecord(name, line, STEP_V, 0.0, -128, 127) for name, line in (("1", codes), ("2", high))
    )
    trigger = TriggerRecord("1", 1.0, "falling", True)
    return Capture(records, 1e-6, 0.0, trigger, Identity("", "", "", ""), "2027-01-12T06:31:08Z")


def seen(*captures: Capture, logic: str = "3.3") -> tuple[VoltageWatch, list[str]]:
    said: list[str] = []
    hooks = dataclasses.replace(RunHooks(), progress=lambda _step, message, _part: said.append(message))
    watch = VoltageWatch(dataclasses.replace(station(), logic=logic), hooks)
    for one in captures:
        watch.look(one)
    return watch, said


def test_it_is_said_once_and_the_farthest_reading_is_kept() -> None:
    """At the first capture that shows it, not at the end of the run."""
    watch, said = seen(capture(9.0), capture(12.0), capture(7.0))
    assert len(said) == 1
    assert said[0].startswith("STOP: ch2 reads 9 V, more than the 6 V")
    (finding,) = watch.findings()
    assert (finding.line, finding.evidence) == ("from_target", {"volts": 12.0, "limit_v": 6.0})


def test_volts_below_ground_count_as_much() -> None:
    """A line at -9 V hurts an input like one at 9 V."""
    assert list(seen(capture(-9.0))[0].highest) == ["from_target"]


@pytest.mark.parametrize(
    ("volts", "share", "logic"),
    [
        (5.5, 0.5, "3.3"),  # below the limit
        (9.0, 0.005, "3.3"),  # the tip of an overshoot
        (33.0, 0.5, "3.3"),  # a probe at x1 on a station that takes it for x10
        (50.0, 0.5, "3.3"),  # the same on the reference terminal
        (63.5, 0.5, "3.3"),  # the end of the range: nobody knows how much it is
        (12.0, 0.5, "rs232"),  # what these lines have
    ],
)
def test_no_alarm_for_what_is_no_level_of_too_many_volts(volts: float, share: float, logic: str) -> None:
    """An alarm that cries at every wrong switch is not heard when it counts."""
    watch, said = seen(capture(volts, share), logic=logic)
    assert (watch.findings(), said) == ([], [])
