"""Items of channels at ground and of lines at rest: zero, noise, and what hangs on the wrong terminal."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from service.acquire import Taken
from service.check.instrument import Noticed
from service.check.items import ROLES, make_item
from service.check.seeing import Seen
from service.pipeline.families import family
from service.pipeline.findings import make_finding
from service.pipeline.phrases import line_words
from service.pipeline.trace import Trace
from service.shots import channel_label, trace_of
from service.sounding import is_clipped
from service.stations import Station

BLOCKS = 20
FEWEST_EDGES, EVEN = 10, 0.02
"""A square wave: so many crossings at least, whose distances scatter by less than this part."""
LIVELY = 0.2
"""Of the family's swing, from which a line at rest is none."""


@dataclass(frozen=True)
class Rest:
    """A quiet stretch: its mean and its rms about it, volts."""

    mean_v: float
    u_mean_v: float
    rms_v: float
    u_rms_v: float


def of_rest(station: Station, seen: Seen) -> Noticed:
    """Items and findings of both channels."""
    if seen.ground is None or seen.idle is None:
        return
    swing = family(station.logic).supply_v
    limits = station.check_limits
    for role in ROLES:
        subject = f"scope/{channel_label(station.probes[role].channel)}"
        zero, idle = _trace(station, seen.ground, role), _trace(station, seen.idle, role)
        grounded = rest_of(zero)
        high = limits.zero_percent / 100 * swing
        item = make_item(f"{role}.zero", grounded.mean_v, grounded.u_mean_v, subject, low=-high, high=high)
        yield item
        if item.verdict == "fail":
            detail = f"{channel_label(station.probes[role].channel)} shows {grounded.mean_v:+.3g} V."
            yield make_finding("zero-off", role, detail, evidence={"zero_v": grounded.mean_v})
        yield from _of_idle(role, idle, grounded, swing, limits.noise_percent, subject)


def _of_idle(role: str, idle: Trace, grounded: Rest, swing: float, percent: float, subject: str) -> Noticed:
    high = percent / 100 * swing
    if is_clipped(idle):
        because = "the idle level leaves the window"
        yield make_item(f"{role}.noise", None, None, subject, high=high, because=because)
        return
    hertz = square_wave_hz(idle, LIVELY * swing)
    if hertz is not None:
        detail = f"the {line_words(role)} shows an even square wave of {hertz:.4g} Hz while nobody speaks"
        yield make_finding("reference-on-line", role, detail + ".", evidence={"frequency_hz": hertz})
        yield make_item(f"{role}.noise", None, None, subject, high=high, because="a square wave is on it")
        return
    quiet = rest_of(idle)
    facts = {"idle_v": quiet.mean_v, "at_ground_v": grounded.rms_v}
    item = make_item(f"{role}.noise", quiet.rms_v, quiet.u_rms_v, subject, high=high, evidence=facts)
    yield item
    if item.verdict == "fail":
        both = grounded.rms_v > high
        where = "with its input at ground too" if both else "but not with its input at ground"
        yield make_finding("noisy", role, f"{quiet.rms_v:.3g} V rms at rest, {where}.", evidence=facts)


def rest_of(trace: Trace) -> Rest:
    """Mean and rms of a quiet trace, with what a code step and the scatter of block means allow (k = 2)."""
    volts = trace.volts()
    step = abs(trace.volts_per_code) / math.sqrt(12)
    means = [float(block.mean()) for block in np.array_split(volts, BLOCKS)]
    u_mean = 2 * math.hypot(float(np.std(means)) / math.sqrt(BLOCKS), step / math.sqrt(BLOCKS))
    rms = float(volts.std())
    u_rms = 2 * max(rms, step) / math.sqrt(2 * max(len(volts) - 1, 1))
    return Rest(float(volts.mean()), u_mean, rms, u_rms)


def square_wave_hz(trace: Trace, least_v: float) -> float | None:
    """The rate of an even square wave of at least that size, None when the trace is none."""
    volts = trace.volts()
    low, high = float(volts.min()), float(volts.max())
    if high - low < least_v:
        return None
    above = volts > (low + high) / 2
    crossings = np.flatnonzero(np.diff(above.astype(np.int8)) == 1)
    gaps = np.diff(crossings) * trace.interval_s
    if len(gaps) < FEWEST_EDGES or float(gaps.std()) > EVEN * float(gaps.mean()):
        return None
    return 1 / float(gaps.mean())


def _trace(station: Station, taken: Taken, role: str) -> Trace:
    return trace_of(taken.capture.channel(station.probes[role].channel), taken.capture)
