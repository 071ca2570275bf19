"""Traces as CSV: what is read, and what is refused with which words."""

from __future__ import annotations

import contextlib
import csv
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import BadCaptureFile
from service.files.csv_trace import capture_to_csv, parse_csv, read_csv
from tests.service.files.captures import capture

GOOD = b"time_s,ch1_v,ch2_v\n0.0,3.3,3.2\n1e-6,0.0,3.3\n2e-6,0.1,3.1\n"


def test_a_plain_file_is_read() -> None:
    """Times become interval and start, each channel a trace in volts."""
    table = parse_csv(GOOD)
    assert table.channels == ("ch1", "ch2")
    assert table.interval_s == pytest.approx(1e-6)
    assert table.start_s == 0.0
    trace = table.trace("ch2")
    assert trace.channel == "ch2"
    assert trace.volts().tolist() == [3.2, 3.3, 3.1]


@pytest.mark.parametrize(
    "data",
    [
        GOOD.replace(b"\n", b"\r\n"),
        GOOD.replace(b"\n", b"\r"),
        GOOD.rstrip(),
        GOOD + b"\n\n",
        b"\xef\xbb\xbf" + GOOD,
        b"# Harbour Street, north-3\n#\n\n" + GOOD,
        GOOD + b"# the end\n",
        GOOD.replace(b"1e-6", b"# in the middle\n1e-6"),
        GOOD.replace(b"time_s,ch1_v,ch2_v", b'"time_s","ch1_v","ch2_v"'),
        GOOD.replace(b",", b" , "),
        GOOD.replace(b"1e-6", b"+1.0E-06"),
    ],
)
def test_the_same_numbers_in_another_dress_are_the_same(data: bytes) -> None:
    """Line ends, comments, quotes, blanks, a byte-order mark: RFC 4180 and what editors do to files."""
    assert np.array_equal(parse_csv(data).volts, parse_csv(GOOD).volts)


def test_the_comments_at_the_head_are_kept() -> None:
    """They say where a record is from."""
    assert parse_csv(b"# taken on north-3\n" + GOOD).comments == ("taken on north-3",)


def test_further_channels_are_allowed() -> None:
    """Four channels are four traces."""
    table = parse_csv(b"time_s,ch1_v,ch2_v,ref_v,x_v\n0,1,2,3,4\n1,5,6,7,8\n")
    assert table.channels == ("ch1", "ch2", "ref", "x")
    assert table.trace("x").volts().tolist() == [4, 8]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"# only a comment\n", "is empty"),
        (b"\0\1\2", "not a text file"),
        (b"0.0,3.3,3.2\n1e-6,0.0,3.3\n", "line 1: the header time_s,ch1_v,ch2_v is expected"),
        (b"# c\n\nt,a,b\n0,1,2\n", "line 3: the header"),
        (b"time_s\n0\n1\n", "line 1: the header"),
        (b"time_s,ch1_v,ch1_v\n0,1,2\n1,1,2\n", "named twice"),
        (b"time_s,ch1_v\n0,1\n", "at least two"),
        (b"time_s;ch1_v;ch2_v\n0,0;3,3;3,2\n", "semicolons"),
        (b"time_s\tch1_v\n0\t3\n", "tabs"),
        (b"time_s,ch1_v,ch2_v\n0,0,3,3,3,2\n0,1,3,3,3,2\n", "line 2: .*decimal commas"),
        (b"time_s,ch1_v\n0.0;3,3\n0.1;3,2\n", "line 2: .*"),
        (b"time_s,ch1_v\n0,1\n1,2\n2\n3,4\n", "line 4: 1 columns where the header has 2"),
        (b"time_s,ch1_v\n0,1\n1,2,\n2,2\n", "line 3: 3 columns"),
        (b"time_s,ch1_v\n0,1\n1,two\n2,2\n", "line 3: 'two' is not a number"),
        (b"time_s,ch1_v\n0,1\n1,\n2,2\n", "line 3: '' is not a number"),
        (b"time_s,ch1_v\n0,1\n1,nan\n2,2\n", "line 3: 'nan' is not a finite number"),
        (b"time_s,ch1_v\n0,1\n1,inf\n2,2\n", "line 3: 'inf' is not a finite number"),
        (b"time_s,ch1_v\n0,1\n1,1\n1,1\n3,1\n", "line 4: time 1 s does not come after 1 s"),
        (b"time_s,ch1_v\n0,1\n-1,1\n-2,1\n", "does not come after"),
        (b"time_s,ch1_v\n0,1\n1,1\n2,1\n4,1\n5,1\n6,1\n", "line 5: the times are not evenly spaced"),
        (b"# x\ntime_s,ch1_v\n0,1\n# y\n1,oops\n", "line 5: 'oops'"),
    ],
)
def test_a_bad_file_is_refused_with_the_line_and_the_reason(data: bytes, says: str) -> None:
    """Whoever exported the file can mend it from the message alone."""
    with pytest.raises(BadCaptureFile, match=says):
        parse_csv(data)


def test_the_file_is_named_in_the_error(tmp_path: Path) -> None:
    """With several files at hand it matters which."""
    path = tmp_path / "north-3.csv"
    path.write_bytes(b"time_s,ch1_v\n0,1\n1,x\n")
    with pytest.raises(BadCaptureFile, match=r"north-3\.csv, line 3"):
        read_csv(path)


def test_times_rounded_in_the_file_are_still_even() -> None:
    """An instrument that writes seven digits of 0.1 ms has not sampled unevenly."""
    times = -1e-4 + np.arange(5000) * 4.0123e-8
    body = "".join(f"{t:.9f},0\n" for t in times)
    table = parse_csv(f"time_s,ch1_v\n{body}".encode())
    assert table.interval_s == pytest.approx(4.0123e-8, rel=1e-5)


def test_a_capture_written_as_csv_is_read_back() -> None:
    """Volts to nine digits, times to twelve; the standard library's reader sees the same table (RFC 4180)."""
    before = capture(points=30_001, dtype="int16")
    data = b"".join(capture_to_csv(before))
    table = parse_csv(data)
    assert table.channels == ("ch1", "ch2")
    assert table.interval_s == pytest.approx(before.sample_interval_s, rel=1e-9)
    assert table.start_s == pytest.approx(before.start_s, rel=1e-9)
    for row, record in zip(table.volts, before.channels, strict=True):
        volts = record.codes * record.volts_per_code + record.volts_at_code_zero
        assert np.allclose(row, volts, rtol=1e-8, atol=1e-9)
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    assert rows[1] == ["time_s", "ch1_v", "ch2_v"]
    assert len(rows) == 2 + 30_001
    assert float(rows[2][1]) == table.volts[0, 0]


def test_what_is_written_as_csv_comes_back_to_the_last_bit() -> None:
    """Times and volts as the shortest decimals that give the same double (IEEE 754: 17 digits at most)."""
    before = capture(points=3001, dtype="int16")
    table = parse_csv(b"".join(capture_to_csv(before)))
    for row, record in zip(table.volts, before.channels, strict=True):
        assert np.array_equal(row, record.codes * record.volts_per_code + record.volts_at_code_zero)
    assert table.start_s == before.start_s


OTHER = b"""# export of north-2
No,Seconds,"CH A (V)",CH B_V,remark
1,0.0,3.3,3.2,idle
2,1e-6,0.1,3.3,"start, or so"
3,2e-6,0.0,3.2,
"""


def test_columns_of_any_name_are_read_when_they_are_named() -> None:
    """Counters and remarks beside them are passed over; order and names are the file's own."""
    plain = OTHER.replace(b', or so"', b'"')
    table = parse_csv(plain, time_column="Seconds", wanted=("ch b", "CH A (V)"))
    assert table.channels == ("CH B_V", "CH A (V)")
    assert table.interval_s == pytest.approx(1e-6)
    assert table.start_s == 0.0
    assert table.trace("CH A (V)").volts().tolist() == [3.3, 0.1, 0.0]
    assert table.trace("CH B_V").volts().tolist() == [3.2, 3.3, 3.2]


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (("t", "CH A (V)", "CH B_V"), "line 2: there is no column 't', the header has No, Seconds, CH A"),
        (("Seconds", "CH A (V)", "CH C"), "there is no column 'CH C'"),
        (("Seconds", "Seconds", "CH B_V"), "cannot be the time and a line as well"),
        (("Seconds", "CH A (V)", "CH B_V"), "line 4: 6 columns where the header has 5"),
        (("remark", "CH A (V)", "CH B_V"), "line 3: 'idle' is not a number"),
    ],
)
def test_a_column_that_cannot_be_read_is_named(names: tuple[str, str, str], says: str) -> None:
    """With the columns that there are, or the line that does not fit."""
    with pytest.raises(BadCaptureFile, match=says):
        parse_csv(OTHER, time_column=names[0], wanted=names[1:])


def test_both_ways_of_reading_give_the_same() -> None:
    """The fast way and the careful one, which a comment in the body asks for, agree on every number."""
    data = b"".join(capture_to_csv(capture(points=2000)))
    commented = data.replace(b"\r\n", b"\r\n# c\r\n", 5)
    assert np.array_equal(parse_csv(commented).volts, parse_csv(data).volts)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_words(tail: bytes) -> None:
    """Whatever is handed in: a table, or BadCaptureFile; never another error."""
    for data in (tail, b"time_s,ch1_v\n" + tail, GOOD + tail):
        try:
            table = parse_csv(data)
        except BadCaptureFile:
            continue
        assert np.isfinite(table.volts).all()
        assert table.interval_s > 0


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.text(alphabet='0123456789.,;-+eE \n#na\r\t"', max_size=120))
def test_almost_numbers_are_read_or_refused_in_words(tail: str) -> None:
    """The same with characters that files of numbers are made of."""
    with contextlib.suppress(BadCaptureFile):
        parse_csv(b"time_s,ch1_v\n0,1\n1,2\n" + tail.encode())
