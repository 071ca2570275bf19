"""State levels of a line (IEEE 181 histogram modes), its noise and overshoot, or that it has no two levels.

How it works
1. A fair sample of the record (sampling.py) goes into a histogram of one bin a code.
2. The span between the outermost bins that matter is split in the middle; the mode of each half is a state
   (IEEE 181-2011 5.2.1 as described publicly). Minimum and maximum are no states: overshoot moves them.
3. Each mode is refined to the centroid of the codes near it (three bins, or three times the noise), so that
   the answer is finer than one code.
4. If the halves meet in one state, the line may still be active, but rarely: the whole record is searched for
   excursions from that state and the histogram is taken again beside them.
5. Two levels are only believed when they lie further apart than SEPARATION times the noise and by more than
   MIN_STEPS codes: noise alone and a flickering last bit have one level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.histogram import Histogram
from service.pipeline.readings import Levels
from service.pipeline.sampling import (
    FEWEST_STEPS,
    RUN,
    RUNS,
    bytewise,
    code_step,
    contiguous_codes,
    excursions,
    runs_at,
    spread_over,
    spread_runs,
)
from service.pipeline.trace import Trace

SEPARATION = 6.0
MIN_STEPS = 3.5
BESIDE = 128
"""Runs taken beside edges, all together."""
MOST_BINS = 1 << 16
NOISE_RUNS = 50
"""Runs that the noise is taken from: 3100 differences give it to 1.5 %."""
MIN_STATE_SAMPLES = 600


@dataclass(frozen=True)
class States:
    """Result of the histogram, in codes. `high` equals `low` where there is one state only."""

    low: float
    high: float
    noise: float
    step: float
    counts: tuple[int, int]
    """Samples that stand behind low and high."""

    @property
    def usual(self) -> float:
        """The state that most samples are in."""
        return self.low if self.counts[0] >= self.counts[1] else self.high

    @property
    def two(self) -> bool:
        """Whether these are two levels rather than one with noise."""
        return self.high - self.low > max(SEPARATION * self.noise, MIN_STEPS * self.step)

    @property
    def ratio(self) -> float:
        """Half the swing over the noise rms (at least the quantising noise)."""
        return 0.5 * (self.high - self.low) / max(self.noise, self.step / 12**0.5)


def find_states(codes: NDArray[Any]) -> States | None:
    """States of contiguous codes; None for an empty record."""
    if len(codes) == 0:
        return None
    runs = spread_runs(codes)
    states = histogram_states(runs)
    step = _flicker_step(codes, runs, states) if states.two else None
    if step is not None:
        states = histogram_states(runs, step=step)
    if states.two:
        return states
    margin = max(SEPARATION * states.noise, MIN_STEPS * states.step)
    places = excursions(codes, states.usual - margin, states.usual + margin)
    near = states_beside(codes, states, places, step)
    return near if near.two else states


def _flicker_step(codes: NDArray[Any], runs: NDArray[Any], states: States) -> float | None:
    """The converter's step where neighbouring codes of a resting line were taken for its levels, else None.

    The runs of a line that is seldom busy hold few codes, and those of a text file or of 16 bits do not tell
    by themselves whether their step is the converter's. The ends of the whole record do: a swing of few
    steps in a range of many is one level.
    """
    if codes.dtype.itemsize == 1:
        return None
    some = np.sort(runs.ravel()[:: max(runs.size // 4096, 1)].astype(np.float64))
    gaps = some[1:] - some[:-1]
    gaps = gaps[gaps > 0.1 * (states.high - states.low)]
    if len(gaps) == 0 or states.high - states.low > MIN_STEPS * gaps.min():
        return None
    step = float(gaps.min())
    return step if float(codes.max()) - float(codes.min()) > FEWEST_STEPS * step else None


def states_beside(
    codes: NDArray[Any], states: States, places: NDArray[np.int64], step: float | None = None
) -> States:
    """The states again from runs around `places` (edges, excursions), where the rarer one is to be seen.

    The usual one keeps the value of the whole record: more samples stand behind it.
    """
    if len(places) == 0:
        return states
    some = spread_over(places, RUNS)
    width = RUN * min(max(BESIDE // len(some), 2), 32, max(len(codes) // RUN, 1))
    around = runs_at(codes, some - width // 2, width)
    near = histogram_states(around.reshape(-1, RUN) if around.shape[1] % RUN == 0 else around, step=step)
    if abs(states.usual - near.low) < abs(states.usual - near.high):
        return replace(near, low=states.usual, counts=(max(states.counts), near.counts[1]))
    return replace(near, high=states.usual, counts=(near.counts[0], max(states.counts)))


def histogram_states(runs: NDArray[Any], noise: float | None = None, step: float | None = None) -> States:
    """IEEE 181 modes with centroid; `runs` has shape (runs, samples of a run).

    `noise` where it is known and neighbours do not show it (averaged samples); `step` where it is known.
    """
    step = step or code_step(runs)
    if noise is None:
        noise = neighbour_noise(runs, step)
    origin = runs.min()
    width = _bin_width(float(runs.max()) - float(origin), step, noise)
    bars = Histogram(np.bincount(_bins(runs, origin, width)))
    first, last = bars.span()
    middle = (first + last + 1) // 2
    reach = max(3.0, 3.0 * noise / width)
    low, low_count = bars.centroid(bars.mode(0, middle + 1, reach), reach)
    if bars.held(middle + 1, bars.end) == 0:
        high, high_count = low, low_count
    else:
        high, high_count = bars.centroid(bars.mode(middle + 1, bars.end, reach), reach)
    if bars.joined(low, high):
        # noise that the bandwidth has made slow is wider than neighbouring samples show
        usual, noise = median(runs.ravel()), max(noise, float(np.std(runs)))
        return States(usual, usual, noise, step, (runs.size, runs.size))
    spread = bars.spread((low, high), reach) * width
    return States(
        float(origin) + low * width,
        float(origin) + high * width,
        max(noise, spread),
        step,
        (low_count, high_count),
    )


def _bin_width(span: float, step: float, noise: float) -> float:
    """Bins finer than a third of the noise tell nothing more and take time to smooth; nor are there more than
    MOST_BINS of them: codes of 32 bits may lie anywhere.
    """
    return step * max(round(noise / step / 3), math.ceil(span / step / MOST_BINS), 1)


def _bins(runs: NDArray[Any], origin: Any, width: float) -> NDArray[Any]:
    if bytewise(runs) and width == 1.0:
        # differences of bytes wrap around to the bin
        return runs.ravel().view(np.uint8) - np.uint8(int(origin) & 0xFF)
    if runs.dtype.kind in "iu" and width == 1.0:
        return runs.ravel().astype(np.intp) - int(origin)
    return np.rint((runs.ravel().astype(np.float64) - float(origin)) / width).astype(np.intp)


def neighbour_noise(runs: NDArray[Any], step: float) -> float:
    """rms noise from differences of neighbouring samples, edges left out; never from slow movement."""
    if runs.shape[-1] < 2:
        return 0.0
    some = runs[:: max(len(runs) // NOISE_RUNS, 1)]
    if bytewise(some):
        return _noise_of_bytes(some)
    some = some.astype(np.float32)
    size = np.abs(some[:, 1:] - some[:, :-1]).ravel()
    middle = float(np.partition(size, len(size) // 2)[len(size) // 2])
    calm = size[size <= max(4.0 * middle, 1.5 * step)]
    return math.sqrt(float(np.vdot(calm, calm)) / (2 * len(calm)))


def _noise_of_bytes(runs: NDArray[Any]) -> float:
    """The same for integers of one byte, by counting how often each difference is there."""
    wide = runs.astype(np.int16)
    counts = np.bincount(np.abs(wide[:, 1:] - wide[:, :-1]).ravel())
    total = counts.cumsum()
    middle = int(total.searchsorted(int(total[-1]) // 2, "right"))
    calm = counts[: max(4 * middle, 1) + 1]
    return math.sqrt(float(np.dot(calm, np.arange(len(calm)) ** 2)) / (2 * float(calm.sum())))


def dither_bias(noise: float, step: float) -> float:
    """Largest error of a mean of quantised samples that are spread by `noise`: it dies out as noise grows.

    First harmonic of the quantiser's staircase, step/pi * exp(-2 pi^2 (noise/step)^2) [textbook dither
    theory].
    """
    return step * min(12**-0.5, float(np.exp(-2 * np.pi**2 * (noise / step) ** 2)) / np.pi)


def levels_of(trace: Trace, states: States, overshoot: float | None = None) -> Levels:
    """States in codes -> `Levels` in codes and volts."""
    scale = abs(trace.volts_per_code)
    bias = dither_bias(states.noise, states.step)
    u_low, u_high = (
        2 * scale * float(np.hypot(states.noise / max(count, 1) ** 0.5, bias)) for count in states.counts
    )
    low_v, high_v = (
        code * trace.volts_per_code + trace.volts_at_code_zero for code in (states.low, states.high)
    )
    if trace.volts_per_code < 0:
        low_v, high_v, u_low, u_high = high_v, low_v, u_high, u_low
    half = 0.5 * states.step
    return Levels(
        low_code=states.low,
        high_code=states.high,
        low_v=low_v,
        high_v=high_v,
        noise_v=states.noise * scale,
        u_low_v=u_low,
        u_high_v=u_high,
        overshoot_percent=overshoot,
        clipped_low=trace.code_min is not None and states.low <= trace.code_min + half,
        clipped_high=trace.code_max is not None and states.high >= trace.code_max - half,
    )


def find_levels(trace: Trace) -> Levels | None:
    """State levels of a line; None when no two levels are there (idle, noise only, nothing connected)."""
    states = find_states(contiguous_codes(trace.codes))
    return levels_of(trace, states) if states is not None and states.two else None
