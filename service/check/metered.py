"""The second witness for volts: a source that was measured by a meter in date, on both channels at once."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench
from service.check import cautions
from service.check.items import CheckItem, make_item
from service.check.vertical import LINEARITY_PERCENT, level_base, ranges_of
from service.check.walk import Step
from service.hooks import Look
from service.pipeline.trace import Trace
from service.recording import Window
from service.shots import channel_label, trace_of
from service.stations import ROLES, Station

ABOUT = 0.3
"""Within this part of the metered volts it is the source, whatever the channel's gain."""
STEADY = 0.02
"""rms over mean: a square wave or a busy line is no metered source."""
METER_PERCENT = 0.1
"""Of a hand meter in date, on its DC volts (expanded; common practice, no source)."""


def step_for(station: Station, volts: float, meter: str) -> Step:
    labels = " and ".join(channel_label(station.probes[role].channel) for role in ROLES)
    return Step(
        "both probes on the metered source",
        f"Put the ground clips on the source's ground, then the tips of {labels} on its output: the one that "
        f"meter {meter} measured with {volts:.4g} V.",
        cautions.METERED,
    )


def look(bench: Bench, volts: float) -> Look:
    """Done when both channels show steady volts near the metered ones.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    window = Window(2.5 * volts, volts / 2)
    windows = {probe.channel: window for probe in bench.station.probes.values()}
    taken = bench.glance(windows, level_base(bench), _trigger(bench, volts))
    traces = [trace_of(taken.capture.channel(bench.station.probes[r].channel), taken.capture) for r in ROLES]
    text = "; ".join(f"{trace.channel}: {np.mean(trace.volts()):.3f} V" for trace in traces)
    return Look(text, seen=all(_is_it(trace, volts) for trace in traces))


def measure(bench: Bench, volts: float, meter: str) -> Iterator[CheckItem]:
    """Gain of each channel in each range that the station uses and that holds the volts. Kept.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    station, most = bench.station, bench.station.check_limits.gain_percent
    worst: dict[str, tuple[float, float, str]] = {}
    for range_v in ranges_of(station):
        windows = {probe.channel: Window(range_v, volts / 2) for probe in station.probes.values()}
        label = f"metered source, {range_v:.3g} V"
        if volts / 2 > 0.47 * range_v:
            continue
        taken = bench.forced(windows, level_base(bench), _trigger(bench, volts), b"", label)
        for role in ROLES:
            trace = trace_of(taken.capture.channel(station.probes[role].channel), taken.capture)
            off, u = _gain(trace, volts, range_v)
            if role not in worst or abs(off) > abs(worst[role][0]):
                worst[role] = (off, u, f"{volts:.4g} V by meter {meter}, in {range_v:.3g} V")
    for role, (off, u, because) in worst.items():
        yield make_item(f"{role}.gain", off, u, f"channel/{role}", low=-most, high=most, because=because)


def _gain(trace: Trace, volts: float, range_v: float) -> tuple[float, float]:
    shown = trace.volts()
    noise = 2 * float(np.std(shown)) / math.sqrt(len(shown))
    u = math.hypot(noise, LINEARITY_PERCENT / 100 * range_v) / volts * 100
    return 100 * (float(np.mean(shown)) / volts - 1), math.hypot(u, METER_PERCENT)


def _is_it(trace: Trace, volts: float) -> bool:
    shown = trace.volts()
    mean = float(np.mean(shown))
    return abs(mean / volts - 1) < ABOUT and float(np.std(shown)) < STEADY * abs(mean)


def _trigger(bench: Bench, volts: float) -> TriggerSetup:
    """Above the source: nothing sets the scope off before it is forced."""
    return TriggerSetup(bench.station.probes[ROLES[0]].channel, level_v=1.5 * volts, slope="rising")
