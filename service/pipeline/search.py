"""Finding rate, format and idle level when nobody told them: every hypothesis is parsed and priced.

Theory of operation
A hypothesis is a bit time, a number of bits between start and stop, and an idle level. It explains the edges
of a record at a price in bits (probability = 2**-price): each frame must say when it starts, unless it
follows the one before without a pause, and what its data bits are; each edge inside a frame costs only its
distance from where the bit clock puts it. Wrong hypotheses need more frames, meet stop elements that are not
there, or find edges off the grid. So half the bit time, though every edge fits it, costs twice the frames.

Prices become odds. What the record cannot tell stays open: nothing here turns a guess into a fact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import lengths, median
from service.pipeline.bit_time import fit_frames
from service.pipeline.characters import find_frames, first_start, frame_contents, stop_seen
from service.pipeline.edges import Span, idle_level, without_glitches
from service.pipeline.formats import (
    CELLS,
    KEEP,
    STOP_RARITY,
    STOPS,
    best_format,
    data_cost,
    odds_of,
    parity_fits,
)
from service.pipeline.rates import SAME, candidate_bit_times, usual_baud
from service.pipeline.readings import Edges, FrameFormat, FrameOdds

MOST_EDGES = 240
"""Edges that a hypothesis is tried on."""
FAULT = 16.0
"""Price of a stop element that is not there, bits."""
BREAK = 12.0
"""Price of a space longer than a frame, bits."""
UNUSUAL = 4.0
"""Price of a rate that nobody uses."""
HABIT = 8.0
"""Price of a sender's habit to pause for one certain number of bits."""
NEAR = 0.12
"""Bit times by which a frame may miss the end of the one before and still count as following at once."""
DRIFT = 0.06
"""Relative distance over which the fit may pull a candidate's bit time: half a bit in nine."""
SETTLED = 2e-3
SUREST = 2e-3
"""Least jitter of an edge that is believed, as a share of the shortest distance of two edges."""
HOPELESS = 40.0
"""Price above the least one, bits, from which a hypothesis cannot count: its odds are 1e-12."""
FEW_FRAMES = 4
"""Frames from which it counts that most have no stop element."""
ON_GRID = 0.2
"""rms distance from the bit clock, in bit times, beyond which nothing fits."""


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One explanation of the edges and what it costs."""

    bit_time_s: float
    cells: int
    idle_high: bool
    faults: int
    """Stop elements that were not there."""
    formats: dict[FrameFormat, float]
    """Price of each format, bits, all else included."""
    contents: NDArray[np.uint16]
    """Data and parity bits of the characters without such a fault."""

    @property
    def price(self) -> float:
        return min(self.formats.values())


@dataclass(frozen=True, eq=False)
class Found:
    """What the search settled on, and what else the record allows."""

    bit_time_s: float
    idle_high: bool
    frame: FrameFormat
    possible: tuple[FrameOdds, ...]
    rates: tuple[tuple[float, float], ...]
    """(baud, odds), most likely first."""
    faults: int
    """Stop elements that were not there, in the part that was searched."""


def search(
    edges: Edges,
    span: Span,
    interval_s: float,
    *,
    bit_time_s: float | None = None,
    frame: FrameFormat | None = None,
    idle_high: bool | None = None,
) -> Found | None:
    """The best explanation of the edges; whatever is given is kept. None when nothing explains them."""
    some = Edges(edges.times_s[:MOST_EDGES], edges.rising[:MOST_EDGES])
    whole = len(some) == len(edges)
    short = span if whole else Span(span.start_s, float(some.times_s[-1]))
    times = [bit_time_s] if bit_time_s is not None else candidate_bit_times(some.times_s, 2 * interval_s)
    cells = CELLS if frame is None else (frame.bits_to_last_data - 1,)
    allowed = None if frame is None else [frame]
    tried: list[Hypothesis] = []
    least = np.inf
    for candidate in times:
        for count in cells:
            for idle in _idle_levels(some, short, candidate * (count + 2), candidate, idle_high):
                found = explain(some, short, interval_s, candidate, count, idle, allowed, least + HOPELESS)
                if found is not None:
                    tried.append(found)
                    least = min(least, found.price)
    return _settle(tried) if tried else None


def _idle_levels(
    edges: Edges, span: Span, frame_s: float, bit_time_s: float, given: bool | None
) -> tuple[bool, ...]:
    """Idle levels worth a parse: the level in which the line rests for longer than a frame, else both."""
    known = given if given is not None else idle_level(without_glitches(edges, bit_time_s), span, frame_s)
    return (True, False) if known is None else (known,)


@dataclass(frozen=True, eq=False)
class _Parse:
    """The edges cut into frames under one hypothesis."""

    bit_time_s: float
    stop: int
    starts_s: NDArray[np.float64]
    contents: NDArray[np.uint16]
    """Of all frames that were seen to their stop element, with it."""
    misses: NDArray[np.float64]
    """Of the edges inside frames after their start edges: distance from the bit clock, in bit times."""
    outside: int
    """Edges that nothing explains: glitches, before the first start, after a missing stop element."""

    @property
    def jitter(self) -> float:
        """Standard deviation of the misses, in bit times, from their median: some edges may have met a
        glitch.
        """
        return 1.4826 * median(np.abs(self.misses)) if len(self.misses) else 0.0


def explain(
    edges: Edges,
    span: Span,
    interval_s: float,
    bit_time_s: float,
    cells: int,
    idle_high: bool,
    allowed: Sequence[FrameFormat] | None = None,
    dearest: float = np.inf,
) -> Hypothesis | None:
    """Parse the edges under one hypothesis and price it; None when they contradict its bit time, or when it
    costs more than `dearest` whatever its format.
    """
    parse = _parse(edges, span, bit_time_s, cells + 1, idle_high, patient=dearest == np.inf)
    if parse is None or parse.jitter > ON_GRID:
        return None
    # what the place of one edge costs: anywhere in ten bit times, or where the bit clock says
    free = float(np.log2(10 * parse.bit_time_s / interval_s))
    # no surer than this, in seconds: a share of the bit time would make short bit times cheap
    shortest = float((edges.times_s[1:] - edges.times_s[:-1]).min(initial=10 * parse.bit_time_s))
    jitter = max(parse.jitter, max(0.1 * interval_s, SUREST * shortest) / parse.bit_time_s)
    sure = float(np.log2(jitter * parse.bit_time_s * (2 * np.pi) ** 0.5 / interval_s))
    tight = sure + 0.5 / np.log(2)
    inside = np.minimum(sure + 0.5 / np.log(2) * (parse.misses / jitter) ** 2, free)
    stopped = (parse.contents >> cells) & 1 == 1
    breaks = int((parse.contents == 0).sum())
    faults = int((~stopped).sum()) - breaks
    price = float(inside.sum()) + parse.outside * free + (FAULT + cells) * faults + BREAK * breaks
    price += 0.0 if usual_baud(parse.bit_time_s) else UNUSUAL
    contents = parse.contents[stopped] & ((1 << cells) - 1)
    # what was not seen to its end is as dear as what was
    price += cells * (len(parse.starts_s) - len(parse.contents))
    if price + data_cost(contents, cells) + len(parse.starts_s) * (min(tight, free) + 1) > dearest:
        return None
    formats = {
        FrameFormat(fit.data_bits, fit.parity, stop): float(price + fit.cost + pause)
        for stop, pause in _pauses(parse, free, tight).items()
        for fit in parity_fits(contents, cells, allowed)
        if allowed is None or FrameFormat(fit.data_bits, fit.parity, stop) in allowed
    }
    return Hypothesis(parse.bit_time_s, cells, idle_high, faults, formats, contents) if formats else None


def _parse(
    edges: Edges, span: Span, bit_time_s: float, stop: int, idle_high: bool, patient: bool = True
) -> _Parse | None:
    """Frames with the bit time refined by a fit over them. Without patience (due where nothing better is
    known yet), None as soon as most frames have no stop element: no fit mends that.
    """
    fit = None
    for _ in range(3):
        clean = without_glitches(edges, bit_time_s)
        first = first_start(clean, bit_time_s, stop, idle_high, span)
        frames = find_frames(clean, bit_time_s, stop, first)
        usable = stop_seen(frames, stop)
        if not patient and len(usable) >= FEW_FRAMES and 2 * np.count_nonzero(usable) < len(usable):
            return None
        fit = fit_frames(clean.times_s[first:], frames, usable, stop) if len(usable) else None
        if fit is None or abs(fit.slope / bit_time_s - 1) > DRIFT:
            return None
        moved, bit_time_s = abs(fit.slope / bit_time_s - 1), fit.slope
        if moved < SETTLED:
            break
    assert fit is not None
    starts = clean.times_s[frames.starts]
    since = (clean.times_s[first:] - starts.repeat(lengths(frames.starts, len(clean)))) / bit_time_s
    inside = (frames.element <= stop) & (frames.element > 0)
    misses = since[inside] - frames.element[inside]
    seen = starts + (stop + 0.5) * bit_time_s <= span.end_s
    outside = len(edges) - len(misses) - len(starts)
    return _Parse(bit_time_s, stop, starts, frame_contents(frames, stop)[seen], misses, outside)


def _pauses(parse: _Parse, free: float, tight: float) -> dict[float, float]:
    """Price of all start edges for each number of stop bits that the pauses leave room for.

    A frame that follows at once costs only its jitter. So does one after a whole number of bits, for many
    senders pause like that; but each such habit is paid for once. Always the same odd pause, shorter than a
    frame, is a habit as well, whose length must be told. A pause shorter than the stop element asks for a
    fault each time.
    """
    pause = (parse.starts_s[1:] - parse.starts_s[:-1]) / parse.bit_time_s - parse.stop
    prices = {}
    for stop_bits in STOPS:
        rest = pause - stop_bits
        nearest = np.rint(rest)
        whole = (np.abs(rest - nearest) < NEAR) & (nearest >= 0) & (nearest <= 3)
        count, habits = int(whole.sum()), len(set(nearest[whole].tolist()) - {0.0})
        # anywhere: the first frame, the first of each odd pause, what follows a pause longer than a frame
        brief = ~whole & (rest < parse.stop + 1)
        free_ones = len(parse.starts_s) - count - int(brief.sum()) + _groups(rest[brief])
        short = int(np.count_nonzero(rest < -2 * NEAR))
        price = (len(parse.starts_s) - free_ones) * (tight + 1) + free_ones * (free + 1) + HABIT * habits
        prices[stop_bits] = price + FAULT * short + STOP_RARITY[stop_bits]
    return prices


def _groups(pauses: NDArray[np.float64]) -> int:
    """Number of different pauses, those nearer than NEAR being the same."""
    ordered = np.sort(pauses)
    return len(ordered[:1]) + int(np.count_nonzero(ordered[1:] - ordered[:-1] > NEAR))


def _settle(tried: Sequence[Hypothesis]) -> Found:
    """The best hypothesis, with the formats and rates that the others leave open."""
    best = min(tried, key=lambda item: item.price)
    alike = [
        item
        for item in tried
        if item.idle_high == best.idle_high and abs(item.bit_time_s / best.bit_time_s - 1) < SAME
    ]
    costs: dict[FrameFormat, float] = {}
    for item in alike:
        for frame, cost in item.formats.items():
            costs[frame] = min(cost, costs.get(frame, np.inf))
    possible = odds_of(costs)
    frame = best_format(possible, {item.cells: item.contents for item in alike})
    return Found(best.bit_time_s, best.idle_high, frame, possible, _rate_odds(tried), best.faults)


def _rate_odds(tried: Sequence[Hypothesis]) -> tuple[tuple[float, float], ...]:
    """(baud, odds) of all bit times that were not ruled out, most likely first."""
    least = min(item.price for item in tried)
    groups: list[tuple[float, float]] = []
    for item in sorted(tried, key=lambda item: item.price):
        weight = sum(2.0 ** (least - cost) for cost in item.formats.values())
        baud = 1 / item.bit_time_s
        for place, (other, sum_) in enumerate(groups):
            if abs(baud / other - 1) < SAME:
                groups[place] = (other, sum_ + weight)
                break
        else:
            groups.append((baud, weight))
    total = sum(weight for _, weight in groups)
    return tuple((baud, weight / total) for baud, weight in groups if weight / total >= KEEP)
