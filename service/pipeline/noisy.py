"""A noisy line from trace to framed characters: the careful path (careful.py) in the fast one's records."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.careful import Integrated, integrate_line, rest_is_high
from service.pipeline.characters import Frames, parity_errors
from service.pipeline.edges import Span, find_edges
from service.pipeline.framing import Framing, Setting, frame_fit, with_ends
from service.pipeline.levels import States, histogram_states, neighbour_noise
from service.pipeline.readings import FRAMING, PARITY, Characters, Edges, FrameFormat, FrameOdds
from service.pipeline.sampling import code_step, spread_runs
from service.pipeline.setting import choose_setting
from service.pipeline.trace import Trace

CLEAN = 4.0
"""Half swing over noise (12 dB) from which edges can be trusted one by one; below, the careful path reads."""
HIDING = 1.5
"""Noise, in steps of the codes, below which it cannot hide a line from the histogram."""
WIDTHS = (2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256, 512, 1024)
"""Samples over which the record is averaged until it has two clear levels."""
ENOUGH = 3.4
"""Half swing over noise of the averaged record at which its edges are good enough for a first look."""
SHORTEST = 2.0
"""Bit time, in widths of the average, below which nothing found on it is believed."""
MOST_AT_ONCE = 1 << 17
"""Samples around edges that are looked at together."""
FIRST_LOOK = 4_000_000
"""Samples looked at for the first, rough setting."""


@dataclass(frozen=True, eq=False)
class Noisy:
    """What the careful path found."""

    states: States
    setting: Setting
    framing: Framing


def read_noisy(
    trace: Trace, codes: NDArray[Any], baud: float | None, frame: FrameFormat | None
) -> Noisy | None:
    """Characters of a line whose noise comes near its swing; None where there is none to be found."""
    runs = spread_runs(codes)
    step = code_step(runs)
    noise = neighbour_noise(runs, step)
    if noise < HIDING * step:
        return None
    setting = _rough_setting(trace, codes, noise, baud, frame)
    if setting is None:
        return None
    return integrated(trace, codes, step, noise, setting)


def integrated(
    trace: Trace, codes: NDArray[Any], step: float, noise: float, setting: Setting
) -> Noisy | None:
    """The line framed by integrate and dump near that setting; None where it is no line of two levels."""
    found = integrate_line(
        codes,
        step,
        noise,
        setting.bit_time_s / trace.interval_s,
        setting.frame.bits_to_last_data,
        setting.idle_high == (trace.volts_per_code > 0),
    )
    return None if found is None else Noisy(found.states, setting, _framing(trace, found, setting))


def _rough_setting(
    trace: Trace, codes: NDArray[Any], noise: float, baud: float | None, frame: FrameFormat | None
) -> Setting | None:
    """The nominal setting; where something is missing, what the record shows when it is averaged."""
    if baud is not None and frame is not None:
        idle_high = rest_is_high(codes, noise, 1 / baud / trace.interval_s, frame.bits_to_last_data)
        if idle_high is None:
            return None
        return Setting(1 / baud, frame, idle_high == (trace.volts_per_code > 0), (FrameOdds(frame, 1.0),))
    some = codes[:FIRST_LOOK]
    for width in WIDTHS:
        if 8 * width > len(some):
            return None
        clear = _clear_average(some, width, noise)
        if clear is not None:
            return _setting_of(trace, *clear, width, baud, frame)
    return None


def _clear_average(
    codes: NDArray[Any], width: int, noise: float
) -> tuple[NDArray[np.float32], States] | None:
    """The averaged codes and their levels, where these are two and clear."""
    mean = averaged(codes, width)
    states = histogram_states(spread_runs(mean), noise / width**0.5)
    return (mean, states) if states.two and states.ratio >= ENOUGH else None


def averaged(codes: NDArray[Any], width: int) -> NDArray[np.float32]:
    """Mean of the `width` codes after each one, as far as there are so many; shape (codes - width,)."""
    mean = np.empty(len(codes) - width, np.float32)
    for start in range(0, len(mean), MOST_AT_ONCE):
        total = np.cumsum(codes[start : start + MOST_AT_ONCE + width], dtype=np.float64)
        mean[start : start + MOST_AT_ONCE] = (total[width:] - total[:-width]) / width
    return mean


def _setting_of(
    trace: Trace,
    mean: NDArray[Any],
    states: States,
    width: int,
    baud: float | None,
    frame: FrameFormat | None,
) -> Setting | None:
    """Rate and format from the edges of the record averaged over `width` samples."""
    smooth = replace(trace, codes=mean, start_s=trace.start_s + 0.5 * (width + 1) * trace.interval_s)
    edges = find_edges(smooth, mean, states)
    span = Span(smooth.start_s, smooth.end_s)
    setting = choose_setting(edges, span, trace.interval_s * max(width / 4, 1), baud, frame)
    if setting is None or setting.bit_time_s < SHORTEST * width * trace.interval_s:
        return None
    return setting


def _framing(trace: Trace, found: Integrated, setting: Setting) -> Framing:
    frame = setting.frame
    frames, places, firsts = _edge_places(found)
    edges = Edges(
        trace.start_s + (places - 0.5) * trace.interval_s, _directions(len(places), setting.idle_high)
    )
    characters = _characters(found, frame, edges, firsts)
    bit_time = found.bit * trace.interval_s
    framing = Framing(edges, characters, frames, bit_time, frame_fit(edges, characters, frames, frame))
    return replace(framing, characters=with_ends(characters, frame, bit_time))


def _directions(count: int, idle_high: bool) -> NDArray[np.bool_]:
    rising: NDArray[np.bool_] = (np.arange(count) % 2 == 1) == idle_high
    return rising


def _edge_places(found: Integrated) -> tuple[Frames, NDArray[np.float64], NDArray[np.int64]]:
    """Boundaries between unlike elements, each where the cumulative sum turns; and the first edge of each
    frame.

    The stop element is taken as mark, so that each frame leaves idle and comes back to it.
    """
    mark = found.elements > 0
    mark[:, 0], mark[:, -1] = False, True
    changes = np.concatenate([np.ones((len(mark), 1), np.bool_), mark[:, 1:] != mark[:, :-1]], axis=1)
    frame, element = np.nonzero(changes)
    rough = found.starts[frame] + found.bit * element
    rises = np.arange(len(rough)) % 2 == 1
    firsts = np.flatnonzero(element == 0)
    places = _turns(found, rough, rises)
    return Frames(firsts, element.astype(np.int32)), places, firsts


def _turns(found: Integrated, rough: NDArray[np.float64], rises: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Where the cumulative sum has its extreme within a third of a bit: there the line changed."""
    reach = max(int(found.bit / 3), 1)
    middle = np.rint(rough).astype(np.int64)
    middle = np.minimum(np.maximum(middle, reach), max(len(found.sums) - reach, reach))
    places = np.empty(len(rough))
    piece = max(MOST_AT_ONCE // (2 * reach + 1), 1)
    for start in range(0, len(rough), piece):
        some = slice(start, start + piece)
        sums = found.sums.running(middle[some] - reach, 2 * reach)
        sums *= np.where(rises[some], -1.0, 1.0)[:, None]
        places[some] = middle[some] - reach + sums.argmax(axis=1)
    return places


def _characters(found: Integrated, frame: FrameFormat, edges: Edges, firsts: NDArray[np.int64]) -> Characters:
    mark = found.elements[:, 1:] > 0
    content = (mark * (1 << np.arange(mark.shape[1]))).sum(axis=1).astype(np.uint16)
    errors = parity_errors(content, frame) * np.uint8(PARITY)
    errors[~mark[:, -1]] = FRAMING
    sigma = max(found.states.noise * found.bit**0.5, 1e-12)
    start = edges.times_s[firsts]
    return Characters(
        values=(content & ((1 << frame.data_bits) - 1)).astype(np.int32),
        start_s=start,
        end_s=start,
        errors=errors,
        first_edge=firsts,
        last_edge=np.append(firsts[1:], len(edges)) - 1,
        confidence=np.abs(found.elements).min(axis=1) / sigma,
    )
