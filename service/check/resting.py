"""Items of channels at ground and of lines at rest: zero, noise, and what hangs on the wrong terminal."""

from __future__ import annotations

import math

import numpy as np

from service.check.instrument import Noticed
from service.check.items import ROLES, make_item
from service.check.seeing import Seen
from service.pipeline.families import family
from service.pipeline.findings import make_finding
from service.pipeline.idle import Idle, measure_idle
from service.pipeline.phrases import line_words
from service.pipeline.readings import Value
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import combined
from service.recording import Taken
from service.shots import channel_label, trace_of
from service.sounding import is_clipped
from service.stations import Station

FEWEST_EDGES, EVEN = 10, 0.02
"""A square wave: so many crossings at least, whose distances scatter by less than this part."""
LIVELY = 0.2
"""Of the family's swing, from which a line at rest is none."""


def of_rest(station: Station, seen: Seen) -> Noticed:
    """Items and findings of both channels."""
    if seen.ground is None or seen.idle is None:
        return
    swing = family(station.logic).supply_v
    limits = station.check_limits
    for role in ROLES:
        subject = f"scope/{channel_label(station.probes[role].channel)}"
        zero, idle = _trace(station, seen.ground, role), _trace(station, seen.idle, role)
        grounded = measure_idle(zero)
        high = limits.zero_percent / 100 * swing
        item = make_item(
            f"{role}.zero", grounded.zero_v.value, grounded.zero_v.u, subject, low=-high, high=high
        )
        yield item
        if item.verdict == "fail":
            detail = f"{channel_label(station.probes[role].channel)} shows {grounded.zero_v.value:+.3g} V."
            yield make_finding("zero-off", role, detail, evidence={"zero_v": grounded.zero_v.value})
        yield from _of_idle(role, idle, grounded, swing, limits.noise_percent, subject)


def _of_idle(role: str, idle: Trace, grounded: Idle, swing: float, percent: float, subject: str) -> Noticed:
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
    quiet = measure_idle(idle)
    noise, at_ground = total_noise(quiet), total_noise(grounded).value
    facts = {"idle_v": quiet.zero_v.value, "at_ground_v": at_ground, "hum_hz": quiet.hum_hz}
    item = make_item(f"{role}.noise", noise.value, noise.u, subject, high=high, evidence=facts)
    yield item
    if item.verdict == "fail":
        where = "with its input at ground too" if at_ground > high else "but not with its input at ground"
        hum = "" if quiet.hum_hz is None else f", with hum of the mains at {quiet.hum_hz:g} Hz"
        yield make_finding("noisy", role, f"{noise.value:.3g} V rms at rest{hum}, {where}.", evidence=facts)


def total_noise(idle: Idle) -> Value:
    """rms of noise and hum together: either spoils what is read."""
    hum = idle.hum_v
    if hum is None or hum.value <= 0:
        return idle.noise_v
    total = math.hypot(idle.noise_v.value, hum.value)
    u = combined(idle.noise_v.u * idle.noise_v.value / total, hum.u * hum.value / total)
    return Value(total, u, u, "V")


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
