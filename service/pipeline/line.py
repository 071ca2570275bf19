"""One line on its way through the signal side: what is known beforehand, and how a reading is made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.bit_time import value_of
from service.pipeline.characters import NO_CHARACTERS
from service.pipeline.edges import Span
from service.pipeline.framing import Framing, Setting, retimed
from service.pipeline.levels import States, levels_of
from service.pipeline.overshoot import overshoot_percent
from service.pipeline.readings import Edges, FrameFormat, LineReading
from service.pipeline.refine import refine_edges
from service.pipeline.trace import Trace

TIMING_SAMPLES = 3.0
"""Samples a bit below which no time is claimed (measured: character errors begin there)."""


@dataclass(frozen=True, eq=False)
class Line:
    """A trace, its codes side by side in memory, and the nominal settings (None = to be found)."""

    trace: Trace
    codes: NDArray[Any]
    baud: float | None
    frame: FrameFormat | None
    notes: dict[str, Any] = field(default_factory=dict)

    @property
    def span(self) -> Span:
        return Span(self.trace.start_s, self.trace.end_s)


def noise_notes(states: States, path: str) -> dict[str, Any]:
    """Which path read the line, and the measurement that chose it: half the swing over the noise rms."""
    return {"path": path, "signal_to_noise_db": 20 * math.log10(max(states.ratio, 1e-3))}


def quiet_reading(line: Line, states: States | None) -> LineReading:
    """A line that rests, or carries nothing but noise."""
    trace = line.trace
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
        notes=line.notes,
    )


def unexplained_reading(line: Line, states: States, edges: Edges, notes: dict[str, Any]) -> LineReading:
    """A line that moves between two levels, but not as characters do."""
    levels = levels_of(line.trace, states)
    return LineReading(
        line.trace,
        levels,
        None,
        edges,
        None,
        None,
        (),
        NO_CHARACTERS,
        noise_v=levels.noise_v,
        notes=line.notes | notes,
    )


def framed_reading(
    line: Line,
    states: States,
    setting: Setting,
    framing: Framing,
    notes: dict[str, Any],
    clock: Framing | None = None,
) -> LineReading:
    """The framed line with the best times that its edges allow.

    `clock` is the framing that tells the bit time, where it is not the one that tells the characters.
    """
    trace = line.trace
    beyond = overshoot_percent(trace, line.codes, states, framing.edges, framing.bit_time_s)
    levels = levels_of(trace, states, beyond)
    timed = refine_edges(trace, line.codes, levels, framing.edges, (clock or framing).bit_time_s)
    if timed is not None and framing.fit is not None:
        if timed.edges is not framing.edges:
            framing = retimed(framing, timed.edges, setting.frame)
        notes = notes | {
            "edge_sigma_s": timed.sigma_s,
            "edge_bound_s": timed.bound_s,
            "edge_shape": timed.shape,
            "edge_rise_s": timed.rise_s,
        }
    clock = clock or framing
    samples_per_bit = clock.bit_time_s / trace.interval_s
    bit_time = None
    if clock.fit is not None and samples_per_bit >= TIMING_SAMPLES:
        bit_time = value_of(
            clock.fit, None if timed is None else timed.sigma_s, 0.0 if timed is None else timed.bound_s
        )
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
        notes=line.notes | notes,
    )
