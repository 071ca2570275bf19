"""How long both lines of a record take, beside one copy of the same record in memory."""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace
from tests.bench.figures import Figure
from tests.bench.records import BAUD, record

FRAME = FrameFormat(8, "N", 1)
GOALS = {1e6: (None, None), 1e7: (10.0, 4.0), 1e8: (6.5, 2.5)}
"""Samples a line -> ratio to one copy, fully loaded and 1 % busy."""
BOTH_MS = 1.5
"""Goal for both lines of 1e6 samples, milliseconds."""
REPEATS = {1e6: 61, 1e7: 21, 1e8: 7}
EXTRA_BYTES = 0.4


def timed(work: Callable[[], object]) -> float:
    """Seconds of this thread's own time: what others do on the machine meanwhile does not count."""
    start = time.thread_time()
    work()
    return time.thread_time() - start


def read_both(lines: tuple[Trace, Trace]) -> None:
    for line in lines:
        read_line(line, baud=BAUD, frame=FRAME)


def side_by_side(lines: tuple[Trace, Trace], repeats: int) -> tuple[float, float]:
    """Median seconds of copying and of reading both lines, taken turn about so that both meet the same
    machine.
    """
    copies = [np.empty_like(line.codes) for line in lines]

    def copy_both() -> None:
        for line, copy in zip(lines, copies, strict=True):
            np.copyto(copy, line.codes)

    read_both(lines)
    copy_both()
    pairs = [(timed(copy_both), timed(lambda: read_both(lines))) for _ in range(repeats)]
    return statistics.median(pair[0] for pair in pairs), statistics.median(pair[1] for pair in pairs)


def extra_bytes(line: Trace) -> float:
    """Greatest memory in use while one line is read, bytes a sample, the record itself not counted."""
    tracemalloc.start()
    try:
        read_line(line, baud=BAUD, frame=FRAME)
        return tracemalloc.get_traced_memory()[1] / len(line)
    finally:
        tracemalloc.stop()


def speed_figures(sizes: tuple[float, ...] = (1e6, 1e7, 1e8)) -> Iterator[Figure]:
    """Ratios, times and memory for int8; int16 and uint8 at 1e7."""
    for size in sizes:
        for name, busy, goal in zip(("loaded", "1 % busy"), (1.0, 0.01), GOALS[size], strict=True):
            yield from _of_kind(size, name, busy, np.int8, goal)
    yield from noisy_memory(max(size for size in sizes if size <= 1e7))
    for kind in (np.uint8, np.int16):
        for name, busy, goal in (("loaded", 1.0, 10.0), ("1 % busy", 0.01, 4.0)):
            yield from _of_kind(1e7, name, busy, kind, goal)


def noisy_memory(size: float) -> Iterator[Figure]:
    """Memory of the careful path, on a line at -2 dB: half its swing is under the noise."""
    clean, _ = record(int(size), 1.0, np.int8, 1)
    noise = np.random.default_rng(3).normal(0, 20, 1 << 20)
    codes = clean.codes
    for start in range(0, len(codes), len(noise)):
        part = codes[start : start + len(noise)]
        part[:] = np.clip(np.rint(0.4 * part + noise[: len(part)]), -128, 127).astype(np.int8)
    what = f"{size:.0e} int8 loaded, noisy, extra".replace("e+0", "e")
    yield Figure("memory", what, "B/sample", extra_bytes(replace(clean, codes=codes)), EXTRA_BYTES)


def _of_kind(size: float, name: str, busy: float, kind: Any, goal: float | None) -> Iterator[Figure]:
    lines = (record(int(size), busy, kind, 1)[0], record(int(size), busy, kind, 2)[0])
    copy, read = side_by_side(lines, REPEATS[size])
    what = f"{size:.0e} {np.dtype(kind).name} {name}".replace("e+0", "e")
    note = f"copy {copy * 1e3:.3g} ms, both lines {read * 1e3:.3g} ms"
    if goal is None:
        yield Figure("speed", f"{what}, both lines", "ms", read * 1e3, BOTH_MS, note=note)
    else:
        yield Figure("speed", f"{what}, both lines / copy", "x", read / copy, goal, note=note)
        yield Figure("memory", f"{what}, extra", "B/sample", extra_bytes(lines[0]), EXTRA_BYTES)
