"""The one door of the signal side: a trace of one line -> everything that can be said about it.

levels -> edges -> rate and format (searched for where not given) -> characters -> bit time.
Given settings decide how the line is framed; what the record itself says against them is in the reading's
bit time and notes, never followed in silence.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from service.pipeline.bit_time import value_of
from service.pipeline.characters import NO_CHARACTERS, Span
from service.pipeline.edges import find_edges
from service.pipeline.framing import Framing, Setting, frame_line
from service.pipeline.levels import States, find_states, levels_of
from service.pipeline.readings import Edges, FrameFormat, Levels, LineReading, Value
from service.pipeline.sampling import contiguous_codes
from service.pipeline.setting import choose_setting, doubts
from service.pipeline.trace import Trace

TIMING_SAMPLES = 3.0
"""Samples a bit below which no time is claimed (measured: character errors begin there)."""


def read_line(
    trace: Trace, *, baud: float | None = None, frame: FrameFormat | None = None, logic: str | None = None
) -> LineReading:
    """Read one line of one shot.

    `baud` and `frame` are the nominal settings; None = found from the record. `logic` is the family the line
    should belong to (expectation.LOGIC_FAMILIES); it is kept in the notes for the judging side.
    Never raises for what a line may carry; a line without two levels has no characters, and `flat_v` says
    where it lies.
    """
    states = find_states(contiguous_codes(trace.codes))
    if states is None or not states.two:
        return _quiet(trace, states, logic)
    levels = levels_of(trace, states)
    edges = find_edges(trace, levels)
    span = Span(trace.start_s, trace.end_s)
    notes: dict[str, Any] = {"logic": logic, "signal_to_noise_db": 20 * float(np.log10(states.ratio))}
    setting = choose_setting(edges, span, trace.interval_s, baud, frame)
    if setting is None:
        return LineReading(
            trace, levels, None, edges, None, None, (), NO_CHARACTERS, noise_v=levels.noise_v, notes=notes
        )
    framing = frame_line(edges, span, setting)
    notes |= setting.notes
    if baud is not None and frame is not None:
        notes |= doubts(edges, span, trace.interval_s, setting, framing)
    return _framed(trace, levels, setting, framing, notes)


def _quiet(trace: Trace, states: States | None, logic: str | None) -> LineReading:
    """A line that rests, or carries nothing but noise."""
    flat = None if states is None else _usual_code(states)
    return LineReading(
        trace=trace,
        levels=None,
        idle_high=None,
        edges=Edges(np.zeros(0), np.zeros(0, np.bool_)),
        bit_time_s=None,
        frame=None,
        possible=(),
        characters=NO_CHARACTERS,
        flat_v=None if flat is None else float(trace.volts(np.array([flat]))[0]),
        noise_v=0.0 if states is None else states.noise * abs(trace.volts_per_code),
        notes={"logic": logic},
    )


def _usual_code(states: States) -> float:
    """The level that most samples have."""
    return states.low if states.counts[0] >= states.counts[1] else states.high


def _framed(
    trace: Trace, levels: Levels, setting: Setting, framing: Framing, notes: dict[str, Any]
) -> LineReading:
    samples_per_bit = framing.bit_time_s / trace.interval_s
    return LineReading(
        trace=trace,
        levels=levels,
        idle_high=setting.idle_high,
        edges=framing.edges,
        bit_time_s=_bit_time(trace, levels, framing) if samples_per_bit >= TIMING_SAMPLES else None,
        frame=setting.frame,
        possible=setting.possible,
        characters=framing.characters,
        noise_v=levels.noise_v,
        samples_per_bit=samples_per_bit,
        notes=notes,
    )


def _bit_time(trace: Trace, levels: Levels, framing: Framing) -> Value | None:
    if framing.fit is None:
        return None
    return value_of(framing.fit, _edge_noise(trace, levels, framing.edges))


def _edge_noise(trace: Trace, levels: Levels, edges: Edges) -> float:
    """Standard deviation of one interpolated edge time, seconds: noise over slope, and the quantised slope
    itself.
    """
    some = edges.times_s[:: max(len(edges) // 256, 1)]
    after = np.clip(np.ceil((some - trace.start_s) / trace.interval_s).astype(np.int64), 1, len(trace) - 1)
    slopes = np.abs(trace.volts(trace.codes[after]) - trace.volts(trace.codes[after - 1])) / trace.interval_s
    slope = max(float(np.median(slopes)), 1e-3 * levels.amplitude_v / trace.interval_s)
    quantising = abs(trace.volts_per_code) / 12**0.5
    return float(np.hypot(levels.noise_v, quantising)) / slope
