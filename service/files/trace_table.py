"""Volts over evenly spaced times, from whatever text or arrays a person has; and what makes them no trace.

`wrong(row, what)` makes the error: row is the number of the sample (from 0), the file knows how to name it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.errors import BadCaptureFile
from service.files.flat_ends import flat_ends
from service.pipeline.trace import Trace

UNEVEN = 0.25
"""Part of a sample interval by which a time may be off before the record counts as unevenly spaced."""
MOST_VOLTS = 1e6
"""No probe goes so far: such numbers are other units, or no volts at all."""
LEAST_VOLTS = 1e-30
"""Below this it is nothing, and its square is lost in a float."""
INTERVALS_S = 1e-15, 1e9
"""Sample intervals beyond which the times are in other units."""

Wrong = Callable[[int, str], BadCaptureFile]


@dataclass(frozen=True)
class TraceTable:
    """What a file holds: volts of each channel over evenly spaced times."""

    channels: tuple[str, ...]
    """"ch1", "ch2", ... as the file names them, without the unit; other names as they stand there."""
    interval_s: float
    start_s: float
    volts: NDArray[np.float64]
    """Shape (channels, samples)."""
    comments: tuple[str, ...] = ()

    def trace(self, channel: str) -> Trace:
        """One channel as a trace. BadCaptureFile names the channels that there are."""
        if channel not in self.channels:
            raise BadCaptureFile(f"there is no channel {channel!r}, the file has {', '.join(self.channels)}")
        row = np.ascontiguousarray(self.volts[self.channels.index(channel)])
        low, high = flat_ends(row)
        return Trace(row, 1.0, 0.0, self.interval_s, self.start_s, low, high, channel)


def table_of(
    channels: tuple[str, ...],
    times: NDArray[np.float64],
    volts: NDArray[np.float64],
    wrong: Wrong,
    comments: tuple[str, ...] = (),
) -> TraceTable:
    """The table of finite numbers; `volts` has the shape (channels, samples) and at least two samples.

    Raises:
        BadCaptureFile: times that are not evenly spaced or go back, numbers in other units.
    """
    interval = _spacing(times, wrong)
    _check_volts(volts, wrong)
    rows = np.ascontiguousarray(volts)
    rows[np.abs(rows) < LEAST_VOLTS] = 0.0
    return TraceTable(channels, interval, float(times[0]), rows, comments)


def _spacing(times: NDArray[np.float64], wrong: Wrong) -> float:
    """The sample interval in seconds."""
    interval = float(times[-1] - times[0]) / (len(times) - 1)
    steps = np.diff(times)
    if not interval > 0 or not (steps > 0).all():
        at = int(np.argmin(steps))
        raise wrong(at + 1, f"time {times[at + 1]:.9g} s does not come after {times[at]:.9g} s")
    off = np.abs(times - times[0] - interval * np.arange(len(times)))
    if off.max() > UNEVEN * interval:
        at = int(np.argmax(np.abs(steps - np.median(steps))))
        raise wrong(
            at + 1,
            f"the times are not evenly spaced: a step of {steps[at]:.6g} s where {np.median(steps):.6g} s "
            "is usual",
        )
    if not INTERVALS_S[0] <= interval <= INTERVALS_S[1]:
        raise wrong(1, f"a sample interval of {interval:.3g} s is no scope's; the times are in seconds")
    return interval


def _check_volts(volts: NDArray[np.float64], wrong: Wrong) -> None:
    if max(float(volts.max()), -float(volts.min())) <= MOST_VOLTS:
        return
    channel, row = np.unravel_index(int(np.argmax(np.abs(volts))), volts.shape)
    raise wrong(
        int(row),
        f"{volts[channel, row]:.6g} V is more than a scope can show; the columns are in volts",
    )
