"""A chosen setting applied to the whole record: characters, and the bit time that they really have."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from service.pipeline.bit_time import fit_frames, sound_frames
from service.pipeline.characters import Frames, frame_characters
from service.pipeline.edges import Span, without_glitches
from service.pipeline.line_fit import SharedSlope
from service.pipeline.readings import BREAK, Characters, Edges, FrameFormat, FrameOdds

DRIFT = 0.06
"""Relative distance over which the sender's clock is followed: more than half a bit in nine cannot be framed.
"""
SETTLED = 2e-3
"""Relative change of the bit time below which no boundary can fall to another element."""


@dataclass(frozen=True, eq=False)
class Setting:
    """How a line is to be framed."""

    bit_time_s: float
    frame: FrameFormat
    idle_high: bool
    possible: tuple[FrameOdds, ...]
    notes: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Framing:
    """A framed line."""

    edges: Edges
    """Without glitches."""
    characters: Characters
    frames: Frames
    bit_time_s: float
    fit: SharedSlope | None


def frame_line(edges: Edges, span: Span, setting: Setting) -> Framing:
    """Frame the record with the setting's format, following the sender's clock within DRIFT."""
    bit_time, frame = setting.bit_time_s, setting.frame
    for _ in range(4):
        clean = without_glitches(edges, bit_time)
        characters, frames = frame_characters(clean, bit_time, frame, setting.idle_high, span)
        fit = frame_fit(clean, characters, frames, frame)
        if fit is None or abs(fit.slope / setting.bit_time_s - 1) > DRIFT:
            return Framing(clean, characters, frames, bit_time, None)
        moved, bit_time = abs(fit.slope / bit_time - 1), fit.slope
        if moved < SETTLED:
            break
    return Framing(clean, with_ends(characters, frame, bit_time), frames, bit_time, fit)


def retimed(framing: Framing, edges: Edges, frame: FrameFormat) -> Framing:
    """The same frames with better times of the same edges."""
    fit = frame_fit(edges, framing.characters, framing.frames, frame)
    bit_time = framing.bit_time_s if fit is None else fit.slope
    first = framing.characters.first_edge
    start = np.where(first < 0, framing.characters.start_s, edges.times_s[first])
    characters = with_ends(replace(framing.characters, start_s=start), frame, bit_time)
    return Framing(edges, characters, framing.frames, bit_time, fit)


def frame_fit(edges: Edges, characters: Characters, frames: Frames, frame: FrameFormat) -> SharedSlope | None:
    """The bit time as the shared slope of all frames; None without frames that tell it."""
    if len(frames.starts) == 0:
        return None
    sound = sound_frames(characters, len(frames.starts))
    return fit_frames(edges.times_s[frames.starts[0] :], frames, sound, frame.bits_to_last_data)


def with_ends(characters: Characters, frame: FrameFormat, bit_time_s: float) -> Characters:
    """The characters ending where the measured bit time says; breaks and a cut head keep their ends."""
    computed = characters.start_s + frame.total_bits * bit_time_s
    keep = ((characters.errors & BREAK) != 0) | (characters.first_edge < 0)
    return replace(characters, end_s=np.where(keep, characters.end_s, computed))


def fault_count(framing: Framing) -> int:
    """Characters with any fault."""
    return int((framing.characters.errors != 0).sum())
