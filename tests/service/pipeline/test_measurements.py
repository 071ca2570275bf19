"""Measurements: what each number is and how well it is known."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from service.pipeline.expectation import Accuracy
from service.pipeline.latencies import edge_u
from service.pipeline.measurements import MEASUREMENTS
from service.pipeline.transitions import durations, over_shots
from tests.service.pipeline.builders import (
    BAUD,
    LOOKS,
    Said,
    T,
    echo_of,
    line,
    shot,
    train,
)
from tests.service.pipeline.judging import FRAME, KNOWN, document_of, good, measurement

# -- latency -------------------------------------------------------------------------------------------


def test_latency_is_stated_from_both_ends_with_its_extremes() -> None:
    """Shortest, median and longest, from the end of the stop bit and from start edge to start edge."""
    sent = train(b"Tide", step_s=4 * FRAME)
    delays = [5e-6, 9e-6, 6e-6, 20e-6]
    echoed = [Said(s.value, s.start_s + FRAME + d) for s, d in zip(sent, delays, strict=True)]
    document = document_of(shot(sent, echoed))
    for name, value in (("min", 5e-6), ("median", 7.5e-6), ("max", 20e-6)):
        assert measurement(document, f"latency_{name}")["value"] == pytest.approx(value)
        assert measurement(document, f"start_to_start_{name}")["value"] == pytest.approx(value + FRAME)
    assert "END OF THE STOP BIT" in measurement(document, "latency_max")["definition"]
    assert measurement(document, "latency_max")["limit"] == {"max": 2e-3}
    assert measurement(document, "latency_max")["verdict"] == "pass"


def test_the_computed_end_carries_the_uncertainty_of_ten_bit_times() -> None:
    """A badly known bit time makes a badly known latency."""
    sent = train(b"T")
    sharp = document_of(shot(sent, echo_of(sent), to=replace(LOOKS, u_bit_s=1e-12)))
    vague = document_of(shot(sent, echo_of(sent), to=replace(LOOKS, u_bit_s=5e-8)))
    assert measurement(vague, "latency_max")["u"] == pytest.approx(
        np.hypot(measurement(sharp, "latency_max")["u"], 5e-7), rel=1e-3
    )


def test_an_edge_between_two_samples_is_known_to_a_sample_and_a_slow_one_far_better() -> None:
    """Steep: rectangular over one interval (JCGM 100 4.3.7). Slow: noise over slope."""
    said = [Said(0x55, 0.3 * T / LOOKS.per_bit)]
    steep = line(said, replace(LOOKS, noise_v=0.0))
    interval = steep.trace.interval_s
    assert edge_u(steep) == pytest.approx(2 * interval / np.sqrt(12), rel=0.05)
    slow = line(said, replace(LOOKS, noise_v=0.0, rise_s=5 * interval))
    assert edge_u(slow) < 0.1 * interval
    noisy = line(said, replace(LOOKS, noise_v=0.2, rise_s=5 * interval))
    assert edge_u(noisy) > 3 * edge_u(slow)


# -- rate ----------------------------------------------------------------------------------------------


def test_shots_are_pooled_and_the_time_base_is_counted_once() -> None:
    """Four shots halve the record's part; 25 ppm of time base stay 28.9 ppm however many shots there are."""
    sent = train(b"Tide")
    one = shot(sent, echo_of(sent), to=replace(LOOKS, u_bit_s=4e-10))
    single, four = document_of(one), document_of(one, one, one, one)
    for document, part in ((single, 4e-10), (four, 2e-10)):
        bit = document["lines"]["to_target"]["bit_time"]
        assert bit["u_record"] == pytest.approx(part)
        assert bit["u"] == pytest.approx(np.hypot(part, 28.87e-6 * T), rel=1e-3)
    baud = four["lines"]["to_target"]["baud"]
    assert baud["value"] == pytest.approx(BAUD)
    assert baud["u"] / baud["value"] == pytest.approx(four["lines"]["to_target"]["bit_time"]["u"] / T)
    assert len(four["lines"]["to_target"]["characters"]) == 16
    assert {c["shot"] for c in four["lines"]["to_target"]["characters"]} == {0, 1, 2, 3}


def test_a_better_time_base_gives_a_better_rate() -> None:
    """The station's data sheet figure is what is combined in; what nobody stated is listed."""
    sent = train(b"Tide")
    sharp = replace(KNOWN, accuracy=Accuracy(timebase_ppm=1.0, assumed=("vertical_percent",)))
    document = document_of(shot(sent, echo_of(sent)), expectation=sharp)
    baud = document["lines"]["to_target"]["baud"]
    assert baud["u"] < 2e-6 * BAUD + baud["u_record"]
    assert document["expected"]["assumed"] == ["vertical_percent"]


def test_levels_carry_the_gain_error() -> None:
    """3 % of 3.3 V: 0.114 V of U; nothing of it at 0 V."""
    levels = good()["lines"]["to_target"]["levels"]
    assert levels["high"]["u"] == pytest.approx(2 / np.sqrt(3) * 0.03 * 3.3, rel=1e-3)
    assert levels["low"]["u"] == levels["low"]["u_record"] == pytest.approx(0.002)


def test_margins_are_the_distance_to_the_receivers_thresholds() -> None:
    """3.3 V line into LVTTL (JESD8): 0.8 V below VIL, 1.3 V above VIH."""
    document = good()
    assert measurement(document, "from_target.low_margin")["value"] == pytest.approx(0.8)
    assert measurement(document, "from_target.high_margin")["value"] == pytest.approx(1.3)


def test_a_family_that_nobody_stated_is_taken_from_the_levels_and_that_is_said() -> None:
    """analyze without --logic."""
    sent = train(b"Tide")
    document = document_of(shot(sent, echo_of(sent)), expectation=replace(KNOWN, logic=None))
    assert "3.3, taken from the levels" in measurement(document, "from_target.high_level")["definition"]
    assert document["verdict"] == "pass"


# -- rise and fall -------------------------------------------------------------------------------------


@pytest.mark.parametrize("rise_in_samples", [3.5, 5.0, 10.0])
def test_rise_and_fall_of_a_straight_edge_are_exact(rise_in_samples: float) -> None:
    """10 to 90 % of a linear transition (IEEE 181), by interpolation exact but for the 8-bit codes."""
    looks = replace(LOOKS, per_bit=50, noise_v=0.0)
    rise = rise_in_samples * T / 50
    reading = line(train(b"Tide 7"), replace(looks, rise_s=rise))
    for rising in (True, False):
        found = durations(reading, rising=rising)
        assert np.isfinite(found).all()
        assert np.median(found) == pytest.approx(rise, rel=0.03)


def test_rise_times_below_three_samples_are_refused() -> None:
    """Interpolation is biased by 8 % at three samples of a one-pole edge and worse below: no value."""
    for samples, refused in ((2.0, True), (4.0, False)):
        reading = line(train(b"Tide"), replace(LOOKS, per_bit=50, rise_s=samples * T / 50))
        found = over_shots([reading], rising=True, accuracy=Accuracy())
        assert found is not None
        assert (found.value is None) == refused
        if refused:
            assert found.under_s == pytest.approx(3 * reading.trace.interval_s)


def test_no_edges_no_rise_time() -> None:
    """None is not zero."""
    assert over_shots([], rising=True, accuracy=Accuracy()) is None


# -- the table -----------------------------------------------------------------------------------------


def test_every_measurement_says_what_it_is() -> None:
    """Name, line, unit, definition; k = 2; verdict where there is a limit; every row for both lines."""
    document = good()
    names = [m["name"] for m in document["measurements"]]
    assert len(set(names)) == len(names)
    assert len(names) == sum(2 if row.per_line else 1 for row in MEASUREMENTS)
    for m in document["measurements"]:
        assert len(m["definition"]) > 8
        assert m["k"] == 2
        assert (m["verdict"] is not None) == bool(m["limit"])
        assert (m["value"] is None) == (m["u"] is None)
        assert m["line"] is None or m["name"].startswith(m["line"])


def test_a_void_criterion_takes_its_numbers_with_it() -> None:
    """Levels at a wrong probe factor read 0.33 V: shown, but they fail nothing."""
    sent = train(b"Tide")
    document = document_of(shot(sent, echo_of(sent), to=replace(LOOKS, high_v=0.33, noise_v=1e-3)))
    assert measurement(document, "from_target.high_level")["value"] == pytest.approx(0.33)
    assert measurement(document, "from_target.high_level")["verdict"] == "inconclusive"


def test_a_thousand_characters_are_judged_whole() -> None:
    """All of them in the document, in order, with their partners."""
    rng = random.Random(2)
    sent = train([rng.randrange(256) for _ in range(1000)])
    document = document_of(shot(sent, echo_of(sent), to=replace(LOOKS, per_bit=6)))
    assert document["verdict"] == "pass"
    assert [e["sent_index"] for e in document["echoes"]] == list(range(1000))
    assert [c["value"] for c in document["lines"]["from_target"]["characters"]] == [s.value for s in sent]
