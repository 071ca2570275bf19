"""Traces as CSV (RFC 4180): header `time_s,ch1_v,ch2_v`, evenly spaced times, decimal points, `#` comments.

The body is read by numpy in one go; only when something does not add up are the lines looked at one by one,
to say which of them is wrong.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.scope.capture import Capture
from service.errors import BadCaptureFile
from service.files.csv_text import CsvText, Header, named_header, usual_header
from service.files.trace_table import TraceTable, table_of

if TYPE_CHECKING:
    from pathlib import Path

CHUNK_LINES = 20_000


def read_csv(path: Path) -> TraceTable:
    """The traces of a file. BadCaptureFile; OSError when the file cannot be opened."""
    return parse_csv(path.read_bytes(), str(path))


def parse_csv(
    data: bytes, name: str = "the trace", *, time_column: str | None = None, wanted: Collection[str] = ()
) -> TraceTable:
    """The traces in a file's content; `name` is only used in errors.

    With `time_column` the columns may have any names: that one holds seconds, those of `wanted` hold volts,
    and the others, which may be no numbers at all, are passed over.

    Raises: BadCaptureFile: no header, a line that is not numbers, uneven times, decimal commas; the line
    is named.
    """
    text = CsvText(data.removeprefix(b"\xef\xbb\xbf"), name)
    header = usual_header(text) if time_column is None else named_header(text, time_column, wanted)
    table = _numbers(text, header)

    def wrong(row: int, what: str) -> BadCaptureFile:
        return text.wrong(_line_of(text, row), what)

    return table_of(header.channels, table[:, 0], table[:, 1:].T, wrong, text.comments)


def _numbers(text: CsvText, header: Header) -> NDArray[np.float64]:
    """Shape (lines, columns that are read)."""
    body, width = header.rest.strip(b"\n"), header.width
    if text.simple and _even_rows(body, width):
        table = _parse(body.replace(b"\n", b","))
        if table is not None and len(table) % width == 0:
            read = table.reshape(-1, width)
            if header.columns != tuple(range(width)):
                read = read[:, list(header.columns)]
            if np.isfinite(read).all():
                return _enough(text, read)
    rows = list(_one_by_one(text, header))
    return _enough(text, np.array(rows, dtype=np.float64).reshape(-1, len(header.columns)))


def _even_rows(body: bytes, columns: int) -> bool:
    """True when every line has the right number of commas."""
    signs = np.frombuffer(body, dtype=np.uint8)
    ends = np.append(np.flatnonzero(signs == 10), len(signs))
    commas = np.searchsorted(np.flatnonzero(signs == 44), ends)
    return bool((np.diff(commas, prepend=0) == columns - 1).all())


def _parse(joined: bytes) -> NDArray[np.float64] | None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)  # how numpy says that it stopped at something else
        try:
            return np.fromstring(joined.decode("ascii"), sep=",")
        except (DeprecationWarning, ValueError, UnicodeDecodeError):
            return None


def _enough(text: CsvText, table: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(table) < 2:
        raise BadCaptureFile(
            f"{text.name} has {'one line' if len(table) else 'no lines'} of data; at least two are needed to "
            "tell the interval"
        )
    return table


def _one_by_one(text: CsvText, header: Header) -> Iterator[list[float]]:
    lines = text.lines()
    next(lines, None)  # the header
    for number, line in lines:
        fields = line.split(",")
        if len(fields) != header.width:
            raise text.wrong(number, _count_words(line, len(fields), header.width))
        yield [_number(text, number, fields[at]) for at in header.columns]


def _count_words(line: str, found: int, columns: int) -> str:
    if ";" in line or found == 2 * columns:
        hint = "export with points as decimals and commas between columns"
        return f"{line.strip()[:60]!r} looks like decimal commas; {hint}"
    return f"{found} columns where the header has {columns}: {line.strip()[:60]!r}"


def _number(text: CsvText, number: int, field: str) -> float:
    try:
        value = float(field.replace("_", "no digit"))
    except ValueError:
        raise text.wrong(number, f"{field.strip()[:40]!r} is not a number") from None
    if not np.isfinite(value):
        raise text.wrong(number, f"{field.strip()[:40]!r} is not a finite number")
    return value


def _line_of(text: CsvText, row: int) -> int:
    """Number in the file of a row of data."""
    for at, (number, _) in enumerate(text.lines()):
        if at == row + 1:
            return number
    return text.skipped + row + 2


def capture_to_csv(capture: Capture, names: Sequence[str] | None = None) -> Iterator[bytes]:
    """A capture as CSV in pieces: volts at the probe tip, times relative to the trigger.

    `names` are the header's names of the channels in order ("ch1" for channel "1" when None).
    """
    shown = names or [f"ch{c.name}" if c.name.isdigit() else c.name for c in capture.channels]
    yield f"# taken at {capture.taken_at}\r\n".encode()
    yield (",".join(["time_s", *(f"{n}_v" for n in shown)]) + "\r\n").encode()
    words = [_volt_words(c.codes, c.volts_per_code, c.volts_at_code_zero) for c in capture.channels]
    total = len(capture.channels[0].codes) if capture.channels else 0
    for first in range(0, total, CHUNK_LINES):
        numbers = range(first, min(first + CHUNK_LINES, total))
        times = [f"{capture.start_s + n * capture.sample_interval_s!r}" for n in numbers]
        columns = [
            w[c.codes[first : first + CHUNK_LINES]] for w, c in zip(words, capture.channels, strict=True)
        ]
        yield "".join(f"{','.join(row)}\r\n" for row in zip(times, *columns, strict=True)).encode()


class _volt_words:  # noqa: N801
    """Text of each code's volts, made once for each code that occurs."""

    def __init__(self, codes: NDArray[np.integer], per_code: float, at_zero: float) -> None:
        self.found = np.unique(codes)
        self.text = [f"{float(c) * per_code + at_zero!r}" for c in self.found]

    def __getitem__(self, codes: NDArray[np.integer]) -> list[str]:
        return [self.text[i] for i in np.searchsorted(self.found, codes).tolist()]
