"""Decoded lines as a value change dump (IEEE 1364-2005 clause 18, four-state)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.pipeline.readings import LineReading

SCALES = ((1e-6, "1us"), (1e-9, "1ns"), (1e-12, "1ps"))
FINER = 4
"""The dump's step is at least this much finer than the sample interval, so that interpolated edges keep their
place.
"""
FIRST_ID = 33
"""Identifiers are printable characters from here on: `!`, `"`, `#`, ..."""


@dataclass(frozen=True)
class _Change:
    time: int
    order: int
    text: str


def vcd_of_lines(lines: Mapping[str, LineReading], *, date: str = "", zero_s: float | None = None) -> str:
    """The text of a dump: for each named line its state, the character that is under way and whether it has
    an error.

    `zero_s` is the time on the capture's axis that becomes #0 (the start of the records when None); nothing
    may lie before it. Between characters the value is `x`; a line without activity has no state changes.
    """
    if zero_s is None:
        zero_s = min((r.trace.start_s for r in lines.values()), default=0.0)
    step_s, scale = _scale(lines)
    parts = [
        _Dumped(name, reading, number, zero_s, step_s) for number, (name, reading) in enumerate(lines.items())
    ]
    out = [f"$date {date} $end"] if date else []
    out += [f"$comment #0 is {zero_s:.12g} s after the trigger $end", f"$timescale {scale} $end"]
    out += ["$scope module lines $end", *(v for p in parts for v in p.variables()), "$upscope $end"]
    out += ["$enddefinitions $end", "#0", "$dumpvars", *(v for p in parts for v in p.initial()), "$end"]
    out += _body(sorted((c for p in parts for c in p.changes()), key=lambda c: (c.time, c.order)))
    end = max((round((r.trace.end_s - zero_s) / step_s) for r in lines.values()), default=0)
    return "\n".join([*out, f"#{max(end, _last(out))}", ""])


def _scale(lines: Mapping[str, LineReading]) -> tuple[float, str]:
    finest = min((r.trace.interval_s for r in lines.values()), default=1e-9)
    return next((s for s in SCALES if s[0] <= finest / FINER), SCALES[-1])


def _body(changes: list[_Change]) -> list[str]:
    out, now = [], 0
    for change in changes:
        if change.time != now:
            now = change.time
            out.append(f"#{now}")
        out.append(change.text)
    return out


def _last(out: list[str]) -> int:
    return next((int(line[1:]) for line in reversed(out) if line.startswith("#")), 0)


class _Dumped:
    """One line's three variables and their changes."""

    def __init__(self, name: str, reading: LineReading, number: int, zero_s: float, step_s: float) -> None:
        self.name = "".join(c if c.isalnum() or c == "_" else "_" for c in name) or "line"
        self.reading, self.zero_s, self.step_s = reading, zero_s, step_s
        self.state, self.value, self.error = (chr(FIRST_ID + 3 * number + k) for k in range(3))
        self.bits = reading.frame.data_bits if reading.frame else 8

    def variables(self) -> Iterator[str]:
        yield f"$var wire 1 {self.state} {self.name} $end"
        yield f"$var wire {self.bits} {self.value} {self.name}_value $end"
        yield f"$var wire 1 {self.error} {self.name}_error $end"

    def initial(self) -> Iterator[str]:
        rising = self.reading.edges.rising
        idle = "x" if self.reading.idle_high is None else str(int(self.reading.idle_high))
        yield f"{int(not rising[0]) if len(rising) else idle}{self.state}"
        yield f"bx {self.value}"
        yield f"0{self.error}"

    def changes(self) -> Iterator[_Change]:
        edges, chars = self.reading.edges, self.reading.characters
        for t, up in zip(edges.times_s.tolist(), edges.rising.tolist(), strict=True):
            yield _Change(self._at(t), 1, f"{int(up)}{self.state}")
        columns = (chars.start_s, chars.end_s, chars.values, chars.errors)
        for start, end, value, errors in zip(*(c.tolist() for c in columns), strict=True):
            # the end of one character may be the start of the next: ends come first
            yield _Change(self._at(start), 2, f"b{max(value, 0):b} {self.value}")
            yield _Change(self._at(start), 2, f"{int(errors != 0)}{self.error}")
            yield _Change(self._at(end), 0, f"bx {self.value}")

    def _at(self, time_s: float) -> int:
        # halves up, as people round
        return max(math.floor((time_s - self.zero_s) / self.step_s + 0.5 + 1e-6), 0)
