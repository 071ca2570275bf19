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
from service.pipeline.edges import find_edges, sample_places
from service.pipeline.framing import Framing, Setting, frame_line, retimed
from service.pipeline.levels import MIN_STATE_SAMPLES, States, find_states, levels_of, states_beside
from service.pipeline.readings import Edges, FrameFormat, Levels, LineReading
from service.pipeline.refine import Refined, refine_edges
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
    codes = contiguous_codes(trace.codes)
    states = find_states(codes)
    if states is None or not states.two:
        return _quiet(trace, states, logic)
    edges = find_edges(trace, codes, states)
    if min(states.counts) < MIN_STATE_SAMPLES:
        states = states_beside(codes, states, sample_places(trace, edges))
    levels = levels_of(trace, states)
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
    timed = refine_edges(trace, codes, levels, framing.edges, framing.bit_time_s)
    if timed is not None and framing.fit is not None:
        framing = retimed(framing, timed.edges, setting.frame)
    return _framed(trace, levels, setting, framing, timed, notes)


def _quiet(trace: Trace, states: States | None, logic: str | None) -> LineReading:
    """A line that rests, or carries nothing but noise."""
    return LineReading(
        trace=trace,
        levels=None,
        idle_high=None,
        edges=Edges(np.zeros(0), np.zeros(0, np.bool_)),
        bit_time_s=None,
        frame=None,
        possible=(),
        characters=NO_CHARACTERS,
        flat_v=None if states is None else float(trace.volts(np.array([states.usual]))[0]),
        noise_v=0.0 if states is None else states.noise * abs(trace.volts_per_code),
        notes={"logic": logic},
    )


def _framed(
    trace: Trace,
    levels: Levels,
    setting: Setting,
    framing: Framing,
    timed: Refined | None,
    notes: dict[str, Any],
) -> LineReading:
    samples_per_bit = framing.bit_time_s / trace.interval_s
    bit_time = None
    if framing.fit is not None and samples_per_bit >= TIMING_SAMPLES:
        bit_time = value_of(framing.fit, None if timed is None else timed.sigma_s)
    if timed is not None:
        notes = notes | {
            "edge_sigma_s": timed.sigma_s,
            "edge_shape": timed.shape,
            "edge_rise_s": timed.rise_s,
        }
    return LineReading(
        trace=trace,
        levels=levels,
        idle_high=setting.idle_high,
        edges=framing.edges,
        bit_time_s=bit_time,
        frame=setting.frame,
        possible=setting.possible,
        characters=framing.characters,
        noise_v=levels.noise_v,
        samples_per_bit=samples_per_bit,
        notes=notes,
    )
