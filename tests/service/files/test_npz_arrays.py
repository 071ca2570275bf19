"""Traces as arrays in an NPZ file, as anybody's `numpy.savez` writes them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.analysis import AnalysisOptions, analyse
from service.errors import BadCaptureFile, BadInput
from service.files.npz_arrays import parse_npz
from service.pipeline.trace import Trace
from tests.service.cli.captures import good_shot, missing_shot, write_npz

TIMES = np.arange(8) * 1e-6 - 2e-6
ONES = np.ones(8)


def saved(**arrays: Any) -> bytes:
    """What numpy makes of them."""
    file = io.BytesIO()
    np.savez_compressed(file, **arrays)
    return file.getvalue()


def of_shot(one: Trace, other: Trace, **names: str) -> bytes:
    """Both lines under the given names."""
    times = one.start_s + np.arange(len(one)) * one.interval_s
    called = {"time": "time_s", "to": "ch1_v", "back": "ch2_v"} | names
    return saved(**{called["time"]: times, called["to"]: one.volts(), called["back"]: other.volts()})


def test_arrays_are_read_as_they_stand() -> None:
    """Volts, interval and first time; further channels and other arrays do no harm."""
    table = parse_npz(saved(time_s=TIMES, ch1_v=ONES, ch2_v=2 * ONES, ch3_v=ONES, note=np.array("Tide 7")))
    assert table.channels == ("ch1", "ch2", "ch3")
    assert table.start_s == -2e-6
    assert table.interval_s == pytest.approx(1e-6)
    assert table.trace("ch2").volts().tolist() == [2.0] * 8


@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_single_precision_and_whole_numbers_are_volts_too(kind: str) -> None:
    """As much as they hold."""
    table = parse_npz(saved(time_s=TIMES, ch1_v=ONES.astype(kind), ch2_v=np.arange(8)))
    assert table.trace("ch2").volts().tolist() == list(range(8))


def test_the_same_lines_get_the_verdict_that_they_get_in_any_file() -> None:
    """A good shot passes, one without an echo fails, whoever saved it."""
    given = AnalysisOptions(baud=230_400.0, logic="3.3")
    for shot, verdict in ((good_shot(), "pass"), (missing_shot(), "fail")):
        found = analyse(of_shot(shot.to_target, shot.from_target), "mine.npz", given).document
        assert found["verdict"] == verdict
        assert "carried" in found["expected"]["notes"][0]


def test_names_of_ones_own_are_told(tmp_path: Path) -> None:
    """As with a CSV file."""
    shot = good_shot()
    data = of_shot(shot.to_target, shot.from_target, time="t", to="pc", back="board")
    options = AnalysisOptions(to_target="pc", from_target="board", time_column="t", baud=230_400.0)
    assert analyse(data, "mine.npz", options).document["echoes"]
    with pytest.raises(BadCaptureFile, match="time_s, ch1_v, ch2_v are expected, found t, pc, board"):
        analyse(data, "mine.npz", AnalysisOptions())
    with pytest.raises(BadCaptureFile, match="no array 'tt', the file has t, pc, board"):
        parse_npz(data, time_column="tt", wanted=("pc", "board"))
    ours = write_npz(tmp_path / "ours.npz", shot).read_bytes()
    with pytest.raises(BadInput, match="knows its own times"):
        analyse(ours, "ours.npz", options)


UNEVEN = np.where(np.arange(8) > 4, TIMES + 0.5e-6, TIMES)
WRONG: tuple[tuple[dict[str, Any], str], ...] = (
    ({"time_s": TIMES}, "are expected"),
    ({"time_s": TIMES, "ch1_v": ONES, "ch2_v": ONES[1:]}, "not of one length: time_s 8, ch1_v 8, ch2_v 7"),
    ({"time_s": UNEVEN, "ch1_v": ONES, "ch2_v": ONES}, "sample 5: the times are not evenly spaced"),
    ({"time_s": TIMES[::-1], "ch1_v": ONES, "ch2_v": ONES}, "does not come after"),
    ({"time_s": TIMES * 1e18, "ch1_v": ONES, "ch2_v": ONES}, "no scope's"),
    ({"time_s": TIMES, "ch1_v": ONES * np.inf, "ch2_v": ONES}, "sample 0: ch1_v is inf"),
    ({"time_s": TIMES, "ch1_v": np.frombuffer(b"\1\0\x80\x7f" * 8, "<f4"), "ch2_v": ONES}, "ch1_v is nan"),
    ({"time_s": TIMES, "ch1_v": ONES * 1e9, "ch2_v": ONES}, "more than a scope can show"),
    ({"time_s": TIMES, "ch1_v": ONES.reshape(2, 4), "ch2_v": ONES}, "one row of numbers"),
    ({"time_s": TIMES, "ch1_v": np.array(["1"] * 8), "ch2_v": ONES}, "one row of numbers"),
    ({"time_s": TIMES, "ch1_v": np.array([{}] * 8), "ch2_v": ONES}, "not an array of numbers"),
    ({"time_s": TIMES[:1], "ch1_v": ONES[:1], "ch2_v": ONES[:1]}, "1 sample; at least two"),
)


@pytest.mark.parametrize(("arrays", "words"), WRONG)
def test_what_is_no_trace_is_refused_with_what_is_wrong(arrays: dict[str, Any], words: str) -> None:
    """By the name of the file, and of the array or the sample."""
    with pytest.raises(BadCaptureFile) as caught:
        analyse(saved(**arrays), "mine.npz", AnalysisOptions())
    assert words in str(caught.value)
    assert "mine.npz" in str(caught.value)


def test_a_damaged_file_is_refused_by_name() -> None:
    """Cut off, or with a byte changed."""
    data = saved(time_s=TIMES, ch1_v=ONES, ch2_v=ONES)
    middle = data.index(b"ch1_v.npy") + 60
    for damaged in (data[:-30], data[:middle] + bytes([data[middle] ^ 0xFF]) + data[middle + 1 :]):
        with pytest.raises(BadCaptureFile, match=r"mine\.npz"):
            analyse(damaged, "mine.npz", AnalysisOptions())
