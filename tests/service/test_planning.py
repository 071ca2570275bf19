"""Shots are planned so that the record can answer what the test asks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.pipeline.readings import FrameFormat
from service.planning import (
    LEAST_PER_BIT,
    LinePlan,
    Memory,
    before_trigger_s,
    listening_longer,
    plan_shots,
    two_digits_up,
    window_s,
)

LINE = LinePlan(baud=230_400.0, frame=FrameFormat(8, "N", 1), latency_max_s=2e-3)


def test_a_short_text_is_one_shot_with_far_more_than_the_least_samples_a_bit() -> None:
    """Memory is there to be used: an edge of 50 ns must span samples."""
    (shot,) = plan_shots(b"Tide 7", LINE, Memory())
    assert shot.payload == b"Tide 7"
    assert shot.sample_interval_s <= 50e-9
    assert shot.points <= 1_000_000


def test_a_payload_that_does_not_fit_is_split_evenly_and_nothing_is_lost() -> None:
    """A small memory means more shots, not fewer samples a bit."""
    payload = bytes(range(256))
    shots = plan_shots(payload, LINE, Memory(max_points=20_000))
    assert b"".join(s.payload for s in shots) == payload
    assert len(shots) > 1
    assert max(len(s.payload) for s in shots) - min(len(s.payload) for s in shots) < len(shots)
    assert all(LINE.bit_s / s.sample_interval_s >= LEAST_PER_BIT * 0.9 for s in shots)


def test_when_not_even_one_character_fits_the_memory_decides() -> None:
    """Honest about it: the pipeline will say too-few-samples."""
    shots = plan_shots(b"abc", LINE, Memory(max_points=500))
    assert [s.payload for s in shots] == [b"a", b"b", b"c"]
    assert all(s.points <= 500 for s in shots)


def test_an_empty_payload_is_refused() -> None:
    """Nothing sent is nothing tested."""
    with pytest.raises(ValueError, match="payload is empty"):
        plan_shots(b"", LINE, Memory())


@given(
    count=st.integers(1, 600),
    baud=st.sampled_from([300.0, 9600.0, 115_200.0, 230_400.0, 921_600.0, 1_234_567.0]),
    points=st.integers(1000, 2_000_000),
)
def test_every_plan_holds_its_characters_a_latency_and_an_idle_character_before(
    count: int, baud: float, points: int
) -> None:
    """Whatever the memory: nothing is cut off by the plan itself."""
    line = LinePlan(baud=baud, frame=FrameFormat(8, "E", 2), latency_max_s=2e-3)
    payload = bytes(count)
    shots = plan_shots(payload, line, Memory(max_points=points))
    assert b"".join(s.payload for s in shots) == payload
    for shot in shots:
        assert shot.points <= points
        need = window_s(len(shot.payload), line, listen_latencies=1.25)
        assert shot.window_s >= need * 0.999
        assert (
            shot.trigger_position * shot.window_s >= min(before_trigger_s(line), 0.5 * shot.window_s) * 0.999
        )


@pytest.mark.parametrize(
    ("value", "rounded"), [(1.01e-8, 1.1e-8), (2.0e-9, 2.0e-9), (9.99e-7, 1.0e-6), (0.123, 0.13)]
)
def test_intervals_are_rounded_up_to_two_digits(value: float, rounded: float) -> None:
    """Never down: the window would shrink."""
    assert two_digits_up(value) == pytest.approx(rounded, rel=1e-12)


def test_a_shot_can_listen_longer_as_far_as_the_memory_goes() -> None:
    """The payload stays, the record grows; a memory that is full already gives no second shot."""
    (shot,) = plan_shots(b"Tide 7", LINE, Memory())
    longer = listening_longer(shot, 0.11, LINE, Memory())
    assert longer is not None
    assert longer.payload == shot.payload
    assert longer.window_s > 0.11
    assert longer.points <= Memory().max_points
    little = Memory(max_points=3000)
    assert listening_longer(plan_shots(b"T", LINE, little)[0], 0.11, LINE, little) is None
