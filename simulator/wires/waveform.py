"""Steps -> volts at given instants.

Every stage between a driver and the converter is linear, so the voltage is the sum of one response per step:
  - a Gaussian-like edge: 10-90 % times of cascaded stages add as squares (standards.md 6.1);
  - optional ringing, a decaying oscillation after the step;
  - optional slow tail of a badly trimmed probe, error * exp(-t / tau) (pole-zero model, standards.md 6.1);
  - or, for coupling between wires, a spike that dies away.
Only samples around a step are computed; everything else is a constant between two steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.wires.line import Piece

Floats = NDArray[np.float64]

SIGMAS_OF_RISE = 2.5631031310892007
"""10-90 % time of a Gaussian edge in units of its sigma: twice the normal quantile of 0.9."""
REACH_SIGMAS = 5.5
RING_HZ = 45e6
RING_DECAY_S = 35e-9


@dataclass(frozen=True)
class Response:
    """What the stages after the driver do to a step."""

    rise_s: float
    """10-90 % time of everything after the driver."""
    gain: float = 1.0
    tail: float = 0.0
    """Extra share right after the step ..."""
    tail_s: float = 1.0
    """... and how fast it dies away."""
    ringing: float = 0.0
    spike_s: float = 0.0
    """Above zero: not the step is passed on but a spike that dies away like this."""


def render(piece: Piece, response: Response, at: Floats) -> Floats:
    """Volts at the ascending instants `at` (shape (n,), same origin as the piece)."""
    if response.spike_s > 0:
        return np.asarray(response.gain * _near(piece, response, at, spike=True), dtype=np.float64)
    shown = _staircase(piece, at)
    if response.tail:
        shown += _tails(piece, response, at)
    shown += _near(piece, response, at, spike=False)
    return np.asarray(response.gain * shown, dtype=np.float64)


def settling_s(piece: Piece, response: Response) -> float:
    """How long after a step its fast part still moves."""
    slowest = float(piece.durations.max(initial=0.0))
    reach = REACH_SIGMAS * math.hypot(slowest, response.rise_s) / SIGMAS_OF_RISE
    return reach + 8 * response.spike_s + (8 * RING_DECAY_S if response.ringing else 0.0)


def normal_share(x: Floats) -> Floats:
    """Cumulative normal distribution, from a table of math.erf (error below 1e-6)."""
    return np.asarray(np.interp(x, _GRID, _SHARE), dtype=np.float64)


def _staircase(piece: Piece, at: Floats) -> Floats:
    bounds = np.concatenate(([0], np.searchsorted(at, piece.times), [len(at)]))
    levels = np.concatenate(([piece.start_v], piece.volts))
    return np.asarray(np.repeat(levels, np.diff(bounds)), dtype=np.float64)


def _tails(piece: Piece, response: Response, at: Floats) -> Floats:
    """Sum of tail * step * exp(-(t - t_step) / tail_s): one decaying value per stretch between steps."""
    sizes = np.zeros(len(piece) + 1)
    fade = np.exp(-np.diff(piece.times, prepend=piece.times[:1]) / response.tail_s)
    size = 0.0
    for number, (step, kept) in enumerate(zip(piece.steps.tolist(), fade.tolist(), strict=True), start=1):
        size = size * kept + response.tail * step
        sizes[number] = size
    bounds = np.concatenate(([0], np.searchsorted(at, piece.times), [len(at)]))
    lengths = np.diff(bounds)
    begun = np.concatenate(([0.0], piece.times))
    fading = np.exp(-(at - np.repeat(begun, lengths)) / response.tail_s)
    return np.asarray(np.repeat(sizes, lengths) * fading, dtype=np.float64)


def _near(piece: Piece, response: Response, at: Floats, *, spike: bool) -> Floats:
    """The fast part: difference to the staircase (or the spikes themselves) around each step."""
    if not len(piece) or not len(at):
        return np.zeros(len(at))
    sigma = np.hypot(piece.durations, response.rise_s) / SIGMAS_OF_RISE
    before = REACH_SIGMAS * sigma
    after = before + 8 * response.spike_s + (8 * RING_DECAY_S if response.ringing else 0.0)
    first = np.searchsorted(at, piece.times - before)
    lengths = np.searchsorted(at, piece.times + after) - first
    total = int(lengths.sum())
    if not total:
        return np.zeros(len(at))
    place = np.arange(total) + np.repeat(first - np.concatenate(([0], np.cumsum(lengths)[:-1])), lengths)
    since = at[place] - np.repeat(piece.times, lengths)
    share = normal_share(since / np.repeat(sigma, lengths))
    late = since >= 0
    if spike:
        shape = share * np.exp(-np.maximum(since, 0.0) / response.spike_s)
    else:
        shape = (share - late) * (1.0 + response.tail)
        if response.ringing:
            shape += late * response.ringing * _ring(since)
    weights = shape * np.repeat(piece.steps, lengths)
    return np.asarray(np.bincount(place, weights=weights, minlength=len(at)), dtype=np.float64)


def _ring(since: Floats) -> Floats:
    positive = np.maximum(since, 0.0)
    return np.exp(-positive / RING_DECAY_S) * np.sin(2 * math.pi * RING_HZ * positive)


_GRID = np.linspace(-6.0, 6.0, 6001)
_SHARE = np.array([0.5 * (1.0 + math.erf(x / math.sqrt(2.0))) for x in _GRID])
