"""Edges -> framed characters: what a start-stop receiver sees, with the faults that it would report.

Theory of operation
A start-stop receiver waits for the line to leave idle (start edge), then looks at the middle of each element,
counted from that edge: start, data bits with the least significant first, parity, stop. After the middle of
the stop element it waits for the next start edge (ISO 1177; ITU-T V.4).

Nothing but edges is needed for that. An edge t after the start edge inverts all elements whose middle is
later, that is from element round(t/T) on. So each edge has a mask, and the XOR of the masks of one frame is
its content. The frames of a whole record are found as a chain: for every edge that could be a start, the
first such edge after the stop element is the next start; from the first start the chain is walked.

At the head of a record the first edge need not be a start edge: when the line was not idle for a whole frame
before it, the first few candidates are tried and the one whose frames have the fewest faults is taken; among
equals the one whose frames follow each other best.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import lengths
from service.pipeline.edges import Span
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY, Characters, Edges, FrameFormat

UNKNOWN = -1
"""Value of a cut character whose data bits were not all seen."""
NEIGHBOURS = 12
AT_ONCE = 0.12
"""Bit times by which a frame may miss the end of the one before and still count as following at once."""
MANY = 4
"""Pauses from which a stream without them can be told."""
LOOSE = 0.3
"""Share of pauses from which a stream is not one without pauses."""
LONG = 4000
"""Possible start edges from which doubled jumps pay."""
TRIAL_EDGES = 96
"""Edges looked at to choose among candidates for the first start edge."""


@dataclass(frozen=True, eq=False)
class Frames:
    """Start edges of all frames of a record and, for every edge from the first start on, where it lies."""

    starts: NDArray[np.int64]
    """Index of each frame's start edge."""
    element: NDArray[np.int32]
    """For each edge from starts[0] on: the element boundary that it is at, 0 = start edge, in bit times."""

    @property
    def places(self) -> NDArray[np.int64]:
        """Start edges as places in `element`."""
        return self.starts - self.starts[0] if len(self.starts) else self.starts


NO_CHARACTERS = Characters(
    values=np.zeros(0, np.int32),
    start_s=np.zeros(0),
    end_s=np.zeros(0),
    errors=np.zeros(0, np.uint8),
    first_edge=np.zeros(0, np.int64),
    last_edge=np.zeros(0, np.int64),
)


def frame_characters(
    edges: Edges, bit_time_s: float, frame: FrameFormat, idle_high: bool, span: Span
) -> tuple[Characters, Frames]:
    """Characters of the line as a receiver with that bit time and format reads them, and where their edges
    lie.

    Edges of glitches must be gone (edges.without_glitches).
    """
    stop = frame.bits_to_last_data
    first = first_start(edges, bit_time_s, stop, idle_high, span)
    frames = find_frames(edges, bit_time_s, stop, first)
    characters = read_frames(edges, frames, bit_time_s, frame, span)
    if 0 < first <= len(edges):
        characters = _with_cut_head(characters, edges, first, span)
    return characters, frames


def first_start(edges: Edges, bit_time_s: float, stop: int, idle_high: bool, span: Span) -> int:
    """Index of the first start edge that the record can be trusted to have.

    `stop` is the number of elements before the stop element, the start element included.
    """
    if len(edges) == 0:
        return 0
    leaving = 0 if bool(edges.rising[0]) != idle_high else 1
    # a character that began before the record is in its stop element by then
    over_s = span.start_s + (stop + 0.5) * bit_time_s
    candidates = leaving + 2 * np.arange(np.searchsorted(edges.times_s[leaving::2], over_s) + 1)
    candidates = candidates[candidates < len(edges)]
    if len(candidates) < 2:
        return leaving
    some = Edges(edges.times_s[:TRIAL_EDGES], edges.rising[:TRIAL_EDGES])
    last_seen = span.end_s if len(some) == len(edges) else float(some.times_s[-1])
    tried = [int(first) for first in candidates if first < len(some)]
    return min(tried, key=lambda first: _implausibility(some, bit_time_s, stop, first, last_seen))


def _implausibility(
    edges: Edges, bit_time_s: float, stop: int, first: int, last_seen_s: float
) -> tuple[int, int]:
    """Missing stop elements when the frames begin at edge `first`; then, how few frames follow each other at
    once.

    A stream without pauses that is joined at a wrong edge may go on without a fault for a while, but not in
    step.
    """
    frames = find_frames(edges, bit_time_s, stop, first)
    starts = edges.times_s[frames.starts]
    seen = starts + (stop + 0.5) * bit_time_s <= last_seen_s
    pause = (starts[1:] - starts[:-1]) / bit_time_s - stop
    loose = int(np.count_nonzero(np.abs(pause - np.rint(pause).clip(1, 2)) > AT_ONCE))
    in_step = len(pause) >= MANY and loose < LOOSE * len(pause)
    return int(np.count_nonzero(seen & ~stop_seen(frames, stop))), loose if in_step else len(edges)


def find_frames(edges: Edges, bit_time_s: float, stop: int, first: int) -> Frames:
    """The chain of frames from the start edge `first` on."""
    starts = _chain(edges.times_s, first, (stop + 0.5) * bit_time_s)
    if len(starts) == 0:
        return Frames(starts, np.zeros(0, np.int32))
    since = edges.times_s[first:] - edges.times_s[starts].repeat(lengths(starts, len(edges)))
    since /= bit_time_s
    np.rint(since, out=since)
    np.minimum(since, stop + 2, out=since)
    return Frames(starts, since.astype(np.int32))


def frame_contents(frames: Frames, stop: int) -> NDArray[np.uint16]:
    """Elements after the start element of each frame, first one in bit 0, the stop element in bit stop-1."""
    if len(frames.starts) == 0:
        return np.zeros(0, np.uint16)
    return np.bitwise_xor.reduceat(_masks(stop)[frames.element], frames.places)


def stop_seen(frames: Frames, stop: int) -> NDArray[np.bool_]:
    """Whether the stop element of each frame is mark."""
    seen: NDArray[np.bool_] = (frame_contents(frames, stop) >> (stop - 1)) & 1 == 1
    return seen


def _chain(times: NDArray[np.float64], first: int, occupied_s: float) -> NDArray[np.int64]:
    """Indices of start edges: each the first leaving edge at least `occupied_s` after the one before."""
    following = _following(times[first::2], occupied_s)
    return first + 2 * _walk(np.append(following, len(following)), 6 if len(following) > LONG else 0)


def _walk(following: NDArray[np.int64], doublings: int) -> NDArray[np.int64]:
    """All places reached from place 0; the last place leads to itself and is not among them.

    Doubled jumps (two steps at once, four, ...) leave few to be walked one by one.
    """
    end, jumps = len(following) - 1, [following]
    for _ in range(doublings):
        jumps.append(jumps[-1][jumps[-1]])
    far, place, anchors = jumps[-1] if doublings else following.tolist(), 0, []
    while place < end:
        anchors.append(place)
        place = far[place]
    chain = np.array(anchors, np.int64)
    for jump in reversed(jumps[:-1]):
        chain = np.stack([chain, jump[chain]], axis=1).ravel()
    return chain[chain < end] if doublings else chain


def _following(leaving: NDArray[np.float64], occupied_s: float) -> NDArray[np.int64]:
    """For each leaving edge the index of the first one that is at least `occupied_s` later."""
    end = leaving + occupied_s
    following = np.arange(1, len(leaving) + 1)
    # a frame holds few edges, so looking at one more neighbour each time beats a binary search
    for step in range(1, NEIGHBOURS):
        early = leaving[step:] < end[: len(leaving) - step]
        if not early.any():
            return following
        following[: len(leaving) - step] += early
    return np.searchsorted(leaving, end)


def read_frames(
    edges: Edges, frames: Frames, bit_time_s: float, frame: FrameFormat, span: Span
) -> Characters:
    """Values and faults of the frames."""
    if len(frames.starts) == 0:
        return NO_CHARACTERS
    stop = frame.bits_to_last_data
    content = frame_contents(frames, stop)
    start = edges.times_s[frames.starts]
    end = start + frame.total_bits * bit_time_s
    inside = np.add.reduceat(frames.element <= stop, frames.places, dtype=np.int64)
    last_edge = frames.starts + inside - 1
    values = (content & ((1 << frame.data_bits) - 1)).astype(np.int32)
    errors = parity_errors(content, frame) * np.uint8(PARITY)
    no_stop = (content >> (stop - 1)) & 1 == 0
    no_stop |= _short_stop(start, bit_time_s, frame)
    errors[no_stop] = FRAMING
    _mark_breaks(errors, end, edges, last_edge, content == 0, span)
    _mark_cut(errors, values, start, bit_time_s, frame, span)
    return Characters(values, start, end, errors, frames.starts, last_edge)


@cache
def _masks(stop: int) -> NDArray[np.uint16]:
    """Mask of the elements that an edge at each boundary inverts: bit 0 = first data bit, bit stop-1 = stop.

    The start edge itself (boundary 0) brings the whole frame to space, from where the other edges count.
    """
    whole = (1 << stop) - 1
    return np.array([0, *(whole & ~((1 << element) - 1) for element in range(stop + 2))], np.uint16)


def parity_errors(content: NDArray[np.uint16], frame: FrameFormat) -> NDArray[np.uint8]:
    """1 where the parity bit is not what the data bits ask for."""
    if frame.parity == "N":
        return np.zeros(len(content), np.uint8)
    bit = (content >> frame.data_bits) & 1
    wrong: NDArray[np.bool_]
    if frame.parity in "MS":
        wrong = bit != (frame.parity == "M")
    else:
        ones = np.bitwise_count(content & ((2 << frame.data_bits) - 1)) & 1
        wrong = ones != (frame.parity == "O")
    return wrong.astype(np.uint8)


def _short_stop(start: NDArray[np.float64], bit_time_s: float, frame: FrameFormat) -> NDArray[np.bool_]:
    """Frames whose second (half) stop element is cut short by the next start edge."""
    short = np.zeros(len(start), np.bool_)
    if frame.stop_bits > 1:
        needed = (frame.total_bits - 0.5 * (frame.stop_bits - 1)) * bit_time_s
        short[:-1] = np.diff(start) < needed
    return short


def _mark_breaks(
    errors: NDArray[np.uint8],
    end: NDArray[np.float64],
    edges: Edges,
    last_edge: NDArray[np.int64],
    empty: NDArray[np.bool_],
    span: Span,
) -> None:
    """A space that lasts beyond the frame is a break, and ends when the line does return."""
    for place in np.flatnonzero(empty & ((errors & FRAMING) != 0)).tolist():
        after = int(last_edge[place]) + 1
        returned = float(edges.times_s[after]) if after < len(edges) else span.end_s
        if returned >= end[place] or after == len(edges):
            errors[place] = BREAK
            end[place] = returned


def _mark_cut(
    errors: NDArray[np.uint8],
    values: NDArray[np.int32],
    start: NDArray[np.float64],
    bit_time_s: float,
    frame: FrameFormat,
    span: Span,
) -> None:
    """Frames that the record leaves before the middle of their stop element."""
    cut = start + (frame.bits_to_last_data + 0.5) * bit_time_s > span.end_s
    errors[cut] = CUT
    values[start + (frame.data_bits + 0.5) * bit_time_s > span.end_s] = UNKNOWN


def _with_cut_head(characters: Characters, edges: Edges, first: int, span: Span) -> Characters:
    """The rest of a character that began before the record, put in front."""
    return Characters(
        values=np.append(np.int32(UNKNOWN), characters.values),
        start_s=np.append(span.start_s, characters.start_s),
        end_s=np.append(edges.times_s[first - 1], characters.end_s),
        errors=np.append(np.uint8(CUT), characters.errors),
        first_edge=np.append(-1, characters.first_edge),
        last_edge=np.append(first - 1, characters.last_edge),
    )
