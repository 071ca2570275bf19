"""The bench itself: its bounds, its table, its plots."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from tests.bench.__main__ import main
from tests.bench.bounds import character_error_bound
from tests.bench.figures import Figure, as_table
from tests.bench.noise import decibels_at, wrong_characters
from tests.bench.records import record
from tests.bench.scale import scale_figures
from tests.bench.speed import extra_bytes
from tests.bench.svg import Curve, chart


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int16])
@pytest.mark.parametrize("busy", [1.0, 0.01])
def test_the_long_records_are_read_without_a_fault_and_little_memory(kind: type, busy: float) -> None:
    """What the speed is measured on is also read right, in at most 0.4 byte of extra memory a sample."""
    line, sent = record(4_000_000, busy, kind)
    reading = read_line(line, baud=230400, frame=FrameFormat.parse("8N1"))
    assert reading.characters.values.tolist() == sent.tolist()
    assert extra_bytes(line) < 0.8  # short of ten million samples the fixed buffers still show


def test_a_plot_is_a_whole_picture() -> None:
    """Well-formed SVG with one line a curve and a mark for each measured point."""
    text = chart(
        "a < b",
        "x",
        "y",
        [Curve("one", [(0, 1e-3), (1, 1e-1), (2, 0.0)], 0), Curve("b", [(0, 1), (1, 1)], 1, True)],
    )
    root = ET.fromstring(text)
    names = [element.tag.rpartition("}")[2] for element in root.iter()]
    assert names.count("polyline") == 2
    assert names.count("circle") == 2


def test_the_table_says_which_goals_are_met() -> None:
    """Upper and lower goals, and figures without one."""
    table = as_table(
        [
            Figure("a", "low enough", "x", 1.0, 2.0),
            Figure("a", "too high", "x", 3.0, 2.0),
            Figure("a", "reached", "%", 99.5, 99.0, at_most=False),
            Figure("a", "to know", "s", 1.0),
        ]
    )
    assert [("NO" in row, "yes" in row) for row in table.splitlines()[2:]] == [
        (False, True),
        (True, False),
        (False, True),
        (False, False),
    ]


def test_errors_are_counted_by_alignment() -> None:
    """One lost character is one error, not a hundred."""
    sent = list(range(100))
    assert wrong_characters(sent, sent) == 0
    assert wrong_characters(sent, sent[:40] + sent[41:]) == 1
    assert wrong_characters(sent, []) == 100
    assert decibels_at([(0, 1e-2), (1, 1e-4)], 1e-3) == pytest.approx(0.5)
    assert character_error_bound(20, 10 ** (-1.74 / 20)) == pytest.approx(1e-3, rel=0.05)


@pytest.mark.soak
def test_the_scale_bench_measures_what_it_says() -> None:
    """A few stations: all runs end well, figures for each count, growth, and the overhead of one run."""
    found = {figure.name: figure for figure in scale_figures((1, 3), ("echo-test",), 2)}
    assert found["echo-test, 3 stations, ended well"].measured == 3
    assert found["echo-test, 3 stations, throughput"].measured > 0
    assert found["echo-test, 1 to 3 stations, memory"].measured > 0.5
    assert "one idle station, overhead of the service" in found


def test_the_bench_runs_and_keeps_its_figures(tmp_path: Path) -> None:
    """A part of it with few runs: exit code, JSON, plots."""
    kept = tmp_path / "figures.json"
    assert main(["--only", "levels", "--effort", "0.1", "--json", str(kept), "--plots", str(tmp_path)]) == 0
    figures = json.loads(kept.read_text())["figures"]
    assert len(figures) == 3
    assert all(figure["met"] is not False for figure in figures)
