"""Traces as arrays in an NPZ file, as `numpy.savez` writes them: `time_s`, `ch1_v`, `ch2_v`.

The same promises and the same errors as a CSV trace: evenly spaced times in seconds, finite volts. Pickled
objects are never read.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Collection, Iterable

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from service.errors import BadCaptureFile
from service.files.npz import opened
from service.files.trace_table import TraceTable, table_of
from service.pipeline.phrases import many

ENDING = ".npy"
TIME = "time_s"
EXPECTED = "time_s, ch1_v, ch2_v"


def parse_npz(
    data: bytes, name: str = "the trace", *, time_column: str | None = None, wanted: Collection[str] = ()
) -> TraceTable:
    """The traces in a file's content; `name` is only used in errors.

    With `time_column` the arrays may have any names: that one holds seconds, those of `wanted` volts, and the
    others are passed over.

    Raises:
        BadCaptureFile: no such arrays, of unequal lengths, not numbers, uneven times; says which and where.
    """
    with opened(data, name) as archive:
        arrays = [m.removesuffix(ENDING) for m in archive.namelist() if m.endswith(ENDING)]
        time, lines = _chosen(arrays, name, time_column, wanted)
        columns = [_array(archive, each, name) for each in (time, *lines)]
    if len({len(column) for column in columns}) > 1:
        told = ", ".join(f"{n} {len(c)}" for n, c in zip((time, *lines), columns, strict=True))
        raise BadCaptureFile(f"{name}: the arrays are not of one length: {told}")
    if len(columns[0]) < 2:
        raise BadCaptureFile(
            f"{name} has {many(len(columns[0]), 'sample')}; at least two are needed to tell the interval"
        )

    def wrong(row: int, what: str) -> BadCaptureFile:
        return BadCaptureFile(f"{name}, sample {row}: {what}")

    shown = tuple(n if time_column is not None else n[:-2] for n in lines)
    return table_of(shown, columns[0], np.stack(columns[1:]), wrong)


def _chosen(
    arrays: list[str], name: str, time_column: str | None, wanted: Collection[str]
) -> tuple[str, tuple[str, ...]]:
    """Names of the array of times and of those of volts."""
    if time_column is not None:
        time = _place(arrays, time_column, name)
        lines = tuple(dict.fromkeys(_place(arrays, each, name) for each in wanted))
        if time in lines:
            raise BadCaptureFile(f"{name}: {time_column!r} cannot be the time and a line as well")
        return time, lines
    times = [a for a in arrays if a.lower() == TIME]
    lines = tuple(a for a in arrays if re.fullmatch(r"\S+_v", a, re.IGNORECASE))
    if len(times) != 1 or not lines:
        raise BadCaptureFile(
            f"{name} is neither a capture of ours nor a trace: the arrays {EXPECTED} are expected, found "
            f"{_shown(arrays)}; with other names say which array holds the time (time column) and which the "
            "lines"
        )
    return times[0], lines


def _place(arrays: list[str], wanted: str, name: str) -> str:
    """The array of that name: as it stands there, else without regard to capitals and a `_v`."""
    alike = [a for a in arrays if a == wanted] or [a for a in arrays if _bare(a) == _bare(wanted)]
    if len(alike) != 1:
        how = "no array" if not alike else "more than one array"
        raise BadCaptureFile(f"{name}: there is {how} {wanted!r}, the file has {_shown(arrays)}")
    return alike[0]


def _bare(name: str) -> str:
    return name.strip().casefold().removesuffix("_v")


def _shown(arrays: Iterable[str]) -> str:
    return ", ".join(arrays)[:60] or "none"


def _array(archive: zipfile.ZipFile, member: str, name: str) -> NDArray[np.float64]:
    """One row of finite numbers."""
    try:
        array = npy.read_array(io.BytesIO(archive.read(member + ENDING)), allow_pickle=False)
    except (ValueError, MemoryError) as error:
        raise BadCaptureFile(f"{name}: {member} is not an array of numbers: {error}") from error
    if array.ndim != 1 or array.dtype.kind not in "iuf":
        raise BadCaptureFile(f"{name}: {member} must be one row of numbers, was {array.dtype} {array.shape}")
    with np.errstate(all="ignore"):  # a signalling NaN warns when it is converted; it is refused below
        row = np.asarray(array, dtype=np.float64)
    if not np.isfinite(row).all():
        bad = int(np.flatnonzero(~np.isfinite(row))[0])
        raise BadCaptureFile(f"{name}, sample {bad}: {member} is {row[bad]}, not a finite number")
    return row
