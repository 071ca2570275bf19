"""The one door of the signal side: a trace of one line -> everything that can be said about it.

levels -> edges -> rate and format (searched for where not given) -> characters -> bit time (clean.py). A line
whose noise comes near its swing takes the careful path instead (noisy.py), chosen by the measured ratio of
the two. Where the result does not look like a line, a wandering zero is looked for and taken away
(wander.py). Given settings decide how the line is framed; what the record itself says against them is in the
reading's bit time and notes, never followed in silence.
"""

from __future__ import annotations

from dataclasses import replace

from service.pipeline.clean import read_clean
from service.pipeline.levels import find_states, neighbour_noise
from service.pipeline.line import Line, framed_reading, noise_notes, quiet_reading
from service.pipeline.noisy import CLEAN, read_noisy
from service.pipeline.readings import FRAMING, PARITY, FrameFormat, LineReading
from service.pipeline.sampling import code_step, contiguous_codes, spread_runs
from service.pipeline.trace import Trace
from service.pipeline.wander import without_wander

MOST_STEADIED = 4_000_000
"""Samples up to which a wandering zero is looked for."""
DOUBTFUL = 0.05
"""Share of faulty characters from which it is."""
RUNTS = 0.25
"""Excursions between the levels for each character from which it is."""
MOVED = 0.2
"""Wander, as a share of the swing, from which it is worth taking away."""


def read_line(
    trace: Trace, *, baud: float | None = None, frame: FrameFormat | None = None, logic: str | None = None
) -> LineReading:
    """Read one line of one shot.

    `baud` and `frame` are the nominal settings; None = found from the record. `logic` is the family the line
    should belong to (expectation.LOGIC_FAMILIES); it is kept in the notes for the judging side.
    Never raises for what a line may carry; a line without two levels has no characters, and `flat_v` says
    where it lies.
    """
    line = Line(trace, contiguous_codes(trace.codes), baud, frame, {"logic": logic})
    reading = _read(line)
    if not _looks_odd(reading) or len(trace) > MOST_STEADIED:
        return reading
    steadied = _steadied(line)
    return reading if steadied is None or _merit(steadied) <= _merit(reading) else steadied


def _read(line: Line) -> LineReading:
    states = find_states(line.codes)
    if states is not None and states.two and states.ratio >= CLEAN:
        return read_clean(line, states)
    noisy = None if states is None else read_noisy(line.trace, line.codes, line.baud, line.frame)
    if noisy is None:
        return quiet_reading(line, states)
    notes = noise_notes(noisy.states, "careful") | noisy.setting.notes
    return framed_reading(line, noisy.states, noisy.setting, noisy.framing, notes)


def _looks_odd(reading: LineReading) -> bool:
    """No characters, many faulty ones, or many excursions that did not reach the other level."""
    count = len(reading.characters)
    return _faults(reading) > DOUBTFUL * count or reading.notes.get("runts", 0) > RUNTS * count or count == 0


def _faults(reading: LineReading) -> int:
    return int(((reading.characters.errors & (FRAMING | PARITY)) != 0).sum())


def _merit(reading: LineReading) -> int:
    """Characters without a fault, less those with one."""
    return int((reading.characters.errors == 0).sum()) - _faults(reading)


def _steadied(line: Line) -> LineReading | None:
    """The line read without the wander of its zero; None where it has none to speak of."""
    runs = spread_runs(line.codes)
    if runs.size == 0:
        return None
    step = code_step(runs)
    wander = without_wander(line.codes, max(neighbour_noise(runs, step), step / 12**0.5))
    if wander is None or wander.extent < MOVED * wander.swing:
        return None
    size = wander.extent * abs(line.trace.volts_per_code)
    reading = _read(replace(line, codes=wander.codes, notes=line.notes | {"wander_v": size}))
    return reading if len(reading.characters) else None
