"""Gain and offset of a channel from levels that it showed: one straight line, weighted, with uncertainties.

shown = offset + gain x true. With a metered source `true` is known to the meter's uncertainty; against
another channel on the same node only the ratio of the two can be known, and volts stay "reference only".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.pipeline.readings import Value
from service.pipeline.uncertainty import K, combined


@dataclass(frozen=True)
class LevelShown:
    """One level on one range: what is true (or what the other channel says), what this channel shows."""

    true_v: float
    shown_v: float
    u_true_v: float
    """Expanded (k = 2), as all u."""
    u_shown_v: float
    range_v: float = math.nan


@dataclass(frozen=True)
class GainAndOffset:
    """Result of the line."""

    gain: Value
    """Shown over true, a ratio."""
    offset_v: Value
    correlation: float
    worst_v: float
    """Largest distance of a level from the line, in units of its expanded uncertainty: above 1.5 or so, the
    ranges do not agree with each other."""
    worst: int


def gain_and_offset(levels: Sequence[LevelShown]) -> GainAndOffset:
    """From at least two levels at different volts (weighted least squares; JCGM 100 H.3 with known
    variances).

    The uncertainty of what is true counts, times the gain, like that of what is shown. ValueError where the
    levels do not span anything: less than three times their uncertainty.
    """
    true = np.array([level.true_v for level in levels])
    shown = np.array([level.shown_v for level in levels])
    u = np.array([combined(level.u_shown_v, level.u_true_v) for level in levels])
    u = np.maximum(u, 1e-12)
    if len(levels) < 2 or np.ptp(true) < 3 * float(u.min()):
        raise ValueError(f"gain needs levels at different volts, {len(levels)} span {np.ptp(true):.3g} V")
    weight = 1 / u**2
    design = np.column_stack([np.ones_like(true), true])
    inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
    offset, gain = inverse @ (design.T @ (weight * shown))
    rest = np.abs(shown - offset - gain * true) / u
    # more scatter than the stated uncertainties allow widens the result (Birge ratio)
    freedom = max(len(levels) - 2, 1)
    wider = max(1.0, float(np.sqrt(K**2 * (rest**2).sum() / freedom))) if len(levels) > 2 else 1.0
    u_offset, u_gain = (wider * math.sqrt(float(inverse[n, n])) for n in (0, 1))
    return GainAndOffset(
        Value(float(gain), u_gain, u_gain, ""),
        Value(float(offset), u_offset, u_offset, "V"),
        float(inverse[0, 1] / math.sqrt(inverse[0, 0] * inverse[1, 1])),
        float(rest.max()),
        int(rest.argmax()),
    )
