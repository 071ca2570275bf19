"""The fast path: a line so clean that every edge can be trusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.edges import find_edges, sample_places
from service.pipeline.framing import Framing, Setting, fault_count, frame_line
from service.pipeline.levels import MIN_STATE_SAMPLES, States, states_beside
from service.pipeline.line import Line, framed_reading, noise_notes, unexplained_reading
from service.pipeline.noisy import integrated
from service.pipeline.overshoot import overshoot_percent
from service.pipeline.readings import Edges, LineReading
from service.pipeline.setting import choose_setting, doubted

MOST_INTEGRATED = 4_000_000
"""Samples up to which a line with glitches is read again by whole elements."""
QUIET = 6.0
"""Half swing over noise from which noise alone crosses the middle in less than one of 1e8 samples."""
RINGING = 40.0
"""Overshoot, percent, that comes back to near the middle of the swing."""
SOME_EDGES = 100
"""Edges looked at to see how fast they are, about."""
SLOW = 0.5
"""Share of the swing that an edge must make within half a bit where no rate was given ..."""
SLOWEST = 0.25
"""... and where one was: what moves so slowly is not that line, and its edges are no bits."""


def read_clean(line: Line, states: States) -> LineReading:
    """Levels and edges as they are; the setting given or searched; characters; bit time."""
    trace, codes = line.trace, line.codes
    edges = find_edges(trace, codes, states)
    if min(states.counts) < MIN_STATE_SAMPLES:
        near = states_beside(codes, states, sample_places(trace, edges))
        states = near if near.two else states
    notes = noise_notes(states, "fast") | {"runts": edges.glitches}
    setting = choose_setting(edges, line.span, trace.interval_s, line.baud, line.frame)
    if setting is None:
        return unexplained_reading(line, states, edges, notes)
    framing = frame_line(edges, line.span, setting)
    if framing.edges.glitches > edges.glitches and len(codes) <= MOST_INTEGRATED:
        framing = _by_whole_elements(line, states, setting, framing)
    if edges.glitches and _runts_mean_nothing(line, states, framing):
        framing = replace(
            framing, edges=replace(framing.edges, glitches=framing.edges.glitches - edges.glitches)
        )
    clock, doubt = None, None
    if line.baud is not None and line.frame is not None:
        doubt = doubted(edges, line.span, trace.interval_s, setting, framing)
    if doubt is not None:
        clock = frame_line(edges, line.span, doubt)
        notes |= doubt.notes
    if _moves_slowly(line, states, framing, SLOW if line.baud is None else SLOWEST):
        return unexplained_reading(line, states, edges, notes | {"slow_movement": True})
    return framed_reading(line, states, setting, framing, notes | setting.notes, clock)


def _runts_mean_nothing(line: Line, states: States, framing: Framing) -> bool:
    """Whether excursions short of the other level are what noise or ringing makes, and no glitches."""
    if states.ratio < QUIET:
        return True
    beyond = overshoot_percent(line.trace, line.codes, states, framing.edges, framing.bit_time_s)
    return beyond is not None and beyond > RINGING


def _moves_slowly(line: Line, states: States, framing: Framing, share: float) -> bool:
    """Whether most edges make less than that share of the swing within half a bit: a hum or a drift."""
    reach = framing.bit_time_s / 4 / line.trace.interval_s
    edges = framing.edges
    stride = max(len(edges) // SOME_EDGES, 1) | 1
    places = sample_places(line.trace, Edges(edges.times_s[::stride], edges.rising[::stride]))
    last = len(line.codes) - 1
    move = round(reach)
    before = line.codes[np.maximum(places - move, 0)]
    after = line.codes[np.minimum(places + move, last)]
    change = np.abs(after.astype(np.float64) - before)
    return bool(len(change) and median(change) < share * (states.high - states.low))


def _by_whole_elements(line: Line, states: States, setting: Setting, framing: Framing) -> Framing:
    """Framed by sums over elements, which a short pulse cannot turn over, where that finds no more faults."""
    other = integrated(line.trace, line.codes, states.step, states.noise, setting)
    if other is None or fault_count(other.framing) > fault_count(framing):
        return framing
    edges = replace(other.framing.edges, glitches=framing.edges.glitches)
    return replace(other.framing, edges=edges)
