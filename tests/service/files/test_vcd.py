"""Decoded lines as VCD, read back by an independent reader."""

from __future__ import annotations

import io
import signal
from pathlib import Path
from typing import Any

import pytest

from service.files.vcd import vcd_of_lines
from service.pipeline.readings import FRAMING, FrameFormat
from tests.service.pipeline.builders import F8N1, LOOKS, Said, T, flat, line, train


def read_back(text: str, tmp_path: Path) -> Any:
    """The dump as the `vcdvcd` library sees it.

    On import that library lets a closed pipe end the whole process, which is right for its own command only:
    every test of a lost connection would end the test run.
    """
    before = signal.getsignal(signal.SIGPIPE)
    import vcdvcd

    signal.signal(signal.SIGPIPE, before)
    path = tmp_path / "lines.vcd"
    path.write_text(text)
    return vcdvcd.VCDVCD(str(path))


def test_the_edges_of_an_a_stand_where_the_arithmetic_has_them(tmp_path: Path) -> None:
    """`A` at 230,400 baud, first falling edge at #0: 0, 4340, 8681, 30382, 34722, 39063 ns.

    Source: standards notes 8.1, from IEEE 1364 and the frame rule of ISO 1177.
    """
    reading = line([Said(0x41, 0.0)], LOOKS)
    dump = read_back(vcd_of_lines({"to_target": reading}, zero_s=0.0), tmp_path)
    assert float(dump.timescale["timescale"]) == pytest.approx(1e-9)
    changes = [(t, v) for t, v in dump["lines.to_target"].tv]
    assert [t for t, _ in changes if t > 0] == [4340, 8681, 30382, 34722, 39063]
    assert [v for _, v in changes][-5:] == ["1", "0", "1", "0", "1"]


def test_characters_come_back_as_values_at_their_start(tmp_path: Path) -> None:
    """The value bus holds the character from its start edge to the end of its stop bit, and x between."""
    reading = line(train(b"Tide 7", step_s=12 * T))
    text = vcd_of_lines({"to_target": reading, "from_target": flat(3.3)})
    dump = read_back(text, tmp_path)
    values = [v for _, v in dump["lines.to_target_value"].tv]
    assert [int(v, 2) for v in values if "x" not in v] == list(b"Tide 7")
    assert values[::2] == ["x"] * 7


def test_characters_back_to_back_leave_no_gap(tmp_path: Path) -> None:
    """Where one character ends as the next one starts, the value at that moment is the next one's."""
    dump = read_back(vcd_of_lines({"a": line(train(b"UU"))}, zero_s=0.0), tmp_path)
    times = [t for t, v in dump["lines.a_value"].tv if "x" not in v]
    assert times == [0, 43403]


def test_errors_are_marked(tmp_path: Path) -> None:
    """A wrongly framed character raises the error line from its start on; the next good one lowers it."""
    said = [Said(0x41, 0.0, FRAMING), Said(0x42, 20 * T)]
    dump = read_back(vcd_of_lines({"a": line(said)}, zero_s=0.0), tmp_path)
    assert [v for _, v in dump["lines.a_error"].tv][-2:] == ["1", "0"]


def test_times_never_go_back_and_many_lines_keep_apart(tmp_path: Path) -> None:
    """Identifiers of any line, `#` and `$` among them, are split by token; time only grows."""
    text = vcd_of_lines({f"line {n}": line(train(b"ab", n * T)) for n in range(12)}, date="2027-01-12")
    stamps = [int(w[1:]) for w in text.splitlines() if w.startswith("#")]
    assert stamps == sorted(stamps)
    dump = read_back(text, tmp_path)
    assert len(dump.signals) == 36
    assert dump["lines.line_11"].tv != dump["lines.line_0"].tv


def test_nine_bit_frames_have_a_nine_bit_value(tmp_path: Path) -> None:
    """The bus is as wide as the data."""
    frame = FrameFormat(9, "N", 1)
    dump = read_back(vcd_of_lines({"a": line([Said(0x155, 0.0)], frame=frame)}), tmp_path)
    assert int(dump["lines.a_value"].size) == 9
    assert F8N1.data_bits == 8


def test_no_lines_at_all_are_still_a_dump() -> None:
    """Nothing to show is no error."""
    assert "$enddefinitions $end" in vcd_of_lines({})
    assert io.StringIO(vcd_of_lines({})).readline().startswith("$comment")
