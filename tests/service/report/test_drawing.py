"""The parts of a drawing: nothing of a trace is lost by drawing it small, and axes are round."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.pipeline.trace import Trace
from service.report.axis import time_axis
from service.report.envelope import View, crossings, outline, volt_span
from service.report.svg import SvgWriter, coordinate


def trace_of(codes: NDArray[Any], per_code: float = 0.01) -> Trace:
    """1 us a sample from time zero."""
    return Trace(codes, per_code, 0.0, 1e-6, 0.0)


def test_a_spike_of_one_sample_is_seen_in_a_million() -> None:
    """Columns keep the smallest and the largest sample, whatever lies between."""
    codes: NDArray[np.int8] = np.zeros(1_000_000, np.int8)
    codes[123_456] = 100
    codes[654_321] = -100
    seen = outline(trace_of(codes), View(0, 1.0, 0, 1000), 1000)
    assert len(seen.times_s) == 1000
    assert (seen.high_v.max(), seen.low_v.min()) == (1.0, -1.0)
    assert abs(seen.times_s[int(seen.high_v.argmax())] - 0.123456) < 1e-3


def test_few_samples_are_drawn_as_they_are() -> None:
    """Zoomed in, each sample is its own point, and the line reaches the rim of the view."""
    seen = outline(trace_of(np.arange(100, dtype=np.int16)), View(20e-6, 30e-6, 0, 100), 1000)
    assert seen.times_s[0] <= 20e-6
    assert seen.times_s[-1] >= 30e-6
    assert np.allclose(seen.low_v, seen.times_s * 1e6 * 0.01)


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.float64])
def test_an_upside_down_scale_still_has_low_below_high(dtype: type) -> None:
    """A negative number of volts per code turns minimum and maximum round."""
    codes: NDArray[Any] = (np.arange(10_000) % 100).astype(dtype)
    seen = outline(trace_of(codes, -0.01), View(0, 0.01, 0, 100), 100)
    assert (seen.low_v <= seen.high_v).all()
    assert volt_span(trace_of(codes, -0.01)) == pytest.approx((-0.99, 0.0))


def test_an_empty_trace_has_an_empty_outline() -> None:
    """Nothing to draw is no error."""
    nothing = trace_of(np.zeros(0, np.int8))
    assert len(outline(nothing, View(0, 1, 0, 100), 100).times_s) == 0
    assert volt_span(nothing) == (0.0, 0.0)
    assert len(crossings(nothing, View(0, 1, 0, 100), 0.0, 0.1)) == 0


def test_edge_ticks_stand_where_the_level_is_crossed() -> None:
    """A ramp from -1 V to 1 V over 200 samples passes zero half way; noise around zero adds nothing."""
    ramp: NDArray[np.int16] = np.clip(np.arange(-200, 201), -100, 100).astype(np.int16)
    assert crossings(trace_of(ramp), View(0, 1e-3, 0, 100), 0.0, 0.5) == pytest.approx([200e-6])
    noisy: NDArray[np.int8] = np.where(np.arange(1000) % 2, 3, -3).astype(np.int8)
    assert len(crossings(trace_of(noisy), View(0, 1e-3, 0, 100), 0.0, 0.5)) == 0


@given(st.floats(-1e-2, 1e-2), st.floats(1e-7, 5.0))
def test_axis_labels_are_distinct_and_true(from_s: float, span_s: float) -> None:
    """Each label says the time of its tick, no two are alike, none lies outside."""
    axis = time_axis(from_s, from_s + span_s)
    labels = [text for _, text in axis.ticks]
    assert 3 <= len(labels) <= 12
    assert len(set(labels)) == len(labels)
    scale = {"s": 1, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9}[axis.unit]
    for time_s, text in axis.ticks:
        assert from_s - 1e-9 * span_s <= time_s <= from_s + span_s * (1 + 1e-9)
        assert float(text.replace("−", "-")) * scale == pytest.approx(time_s, abs=span_s / 50)


def test_an_axis_of_half_a_millisecond_is_in_microseconds() -> None:
    """Round steps in a unit that people use."""
    axis = time_axis(-50e-6, 450e-6)
    assert axis.unit == "µs"
    assert [text for _, text in axis.ticks] == ["0", "100", "200", "300", "400"]


def test_the_writer_escapes_all_that_it_is_given() -> None:
    """Text and attributes alike; what comes out is well-formed and says what went in."""
    svg = SvgWriter()
    evil = "<script>\"'&</script>"
    with svg.group("svg", data_note=evil):
        svg.text(1, 2, evil, "note")
        svg.box(0, 0, 1, 1, "box", evil)
    root = ET.fromstring(str(svg))
    assert root.attrib["data-note"] == evil
    assert [e.text for e in root.iter() if e.text] == [evil, evil]
    assert (coordinate(3.0), coordinate(3.14)) == ("3", "3.1")
