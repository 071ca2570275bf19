"""A channel at rest: its zero, its noise, the hum of the mains in it, and the step of the converter below
which nothing can be said.

v(t) = zero + a sin(2 pi f t) + b cos(2 pi f t) for f = 50 and 60 Hz, plus noise: linear in all unknowns, so
that least squares gives them with their uncertainties (JCGM 100 H.3). A record shorter than a period of the
mains cannot tell hum from zero: then hum is None and the zero's uncertainty holds what a hum could do to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.levels import dither_bias
from service.pipeline.readings import Value
from service.pipeline.sampling import code_step, contiguous_codes, spread_runs
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import K, combined, from_tolerance

MAINS_HZ = (50.0, 60.0)
BLOCKS = 400
"""Block means that are fitted: short against a period of the mains, few enough to be quick."""
FEWEST_SAMPLES = 16
LEAST_PERIODS = 1.0
"""Of 50 Hz, from which hum can be told from zero ..."""
PERIODS_APART = 5.0
"""... and 50 from 60 Hz."""
FEW_CODES = 0.52
"""Two codes alone spread by half a step at most."""


@dataclass(frozen=True)
class Idle:
    """What a channel shows while nothing happens. Volts; uncertainties k = 2."""

    zero_v: Value
    noise_v: Value
    """rms of what is neither zero nor hum, quantisation included."""
    hum_v: Value | None
    """rms of the stronger of 50 and 60 Hz; None: the record is shorter than one period."""
    hum_hz: float | None
    """Which of them; None where the record does not tell them apart or there is no hum."""
    floor_v: float
    """q / sqrt(12): the rms noise of a perfect converter of this step (GUM F.2.2.1)."""


def measure_idle(trace: Trace, *, vertical_tolerance: float = 0.0) -> Idle:
    """Zero, noise and hum of a record without a signal.

    `vertical_tolerance`: how true the scope's volts are, a ratio (0.03 for 3 %); it widens u, never u_record.
    ValueError for fewer than FEWEST_SAMPLES samples.
    """
    if len(trace) < FEWEST_SAMPLES:
        raise ValueError(f"an idle line needs {FEWEST_SAMPLES} samples or more, got {len(trace)}")
    scale = abs(trace.volts_per_code)
    step_v = code_step(spread_runs(contiguous_codes(trace.codes))) * scale
    at, means, size = _blocks(trace)
    fit = _Harmonics(at, means, _frequencies(trace.duration_s))
    noise_v, u_noise = _noise(trace, fit)
    bias = rounding_of_mean(noise_v, step_v)
    u_fit = fit.u(0, max(fit.scatter, noise_v / math.sqrt(size)))
    hum, hertz = _hum(fit, noise_v / math.sqrt(size), trace.duration_s)
    u_zero = combined(u_fit, K * bias, 0.0 if hum else K * fit.scatter)
    return Idle(
        _value(fit.found[0], u_zero, vertical_tolerance),
        _value(noise_v, u_noise, vertical_tolerance),
        None if hum is None else _value(hum[0], combined(hum[1], K * bias / 2), vertical_tolerance),
        hertz,
        step_v / math.sqrt(12),
    )


def rounding_of_mean(spread: float, step: float) -> float:
    """Standard uncertainty that rounding to steps leaves in the mean of many samples with that spread.

    Noise carries a mean over the steps (dither_bias), but samples that are all of two neighbouring codes,
    with a spread of at most half a step, do not tell how much noise there is: then it is step / sqrt(12).
    """
    if spread < FEW_CODES * step:
        return step / math.sqrt(12)
    return dither_bias(math.sqrt(spread**2 - step**2 / 12), step)


class _Harmonics:
    """A constant, and a sine and a cosine for each frequency, fitted to block means."""

    def __init__(self, at: NDArray[np.float64], means: NDArray[np.float64], hertz: tuple[float, ...]) -> None:
        self.hertz = hertz
        columns = [np.ones_like(at)]
        for f in hertz:
            columns += [np.sin(2 * math.pi * f * at), np.cos(2 * math.pi * f * at)]
        self.design = np.column_stack(columns)
        self._inverse = np.linalg.pinv(self.design.T @ self.design)
        self.found = self._inverse @ (self.design.T @ means)
        rest = means - self.design @ self.found
        self.scatter = float(np.sqrt(rest @ rest / max(len(at) - len(columns), 1)))
        """rms of the block means about the fit."""

    def u(self, column: int, scatter: float) -> float:
        """Expanded uncertainty of one coefficient."""
        return K * scatter * math.sqrt(max(float(self._inverse[column, column]), 0.0))

    def at(self, when: NDArray[np.float64]) -> NDArray[np.float64]:
        """The fitted curve."""
        shown = np.full(len(when), self.found[0])
        for n, f in enumerate(self.hertz):
            shown += self.found[2 * n + 1] * np.sin(2 * math.pi * f * when)
            shown += self.found[2 * n + 2] * np.cos(2 * math.pi * f * when)
        return shown


def _frequencies(duration_s: float) -> tuple[float, ...]:
    if duration_s * MAINS_HZ[0] >= PERIODS_APART:
        return MAINS_HZ
    return MAINS_HZ[:1] if duration_s * MAINS_HZ[0] >= LEAST_PERIODS * (1 - 1e-3) else ()


def _blocks(trace: Trace) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Middle and mean (volts) of each block, and the samples in one."""
    size = max(len(trace) // BLOCKS, 1)
    count = len(trace) // size
    means = trace.codes[: count * size].reshape(count, size).mean(axis=1, dtype=np.float64)
    at = (np.arange(count, dtype=np.float64) * size + (size - 1) / 2) * trace.interval_s
    return at, trace.volts(means), size


def _noise(trace: Trace, fit: _Harmonics) -> tuple[float, float]:
    """rms about the fitted curve, and its expanded uncertainty (s / sqrt(2 nu), JCGM 100 E.4.3)."""
    rest = trace.volts() - fit.at(np.arange(len(trace), dtype=np.float64) * trace.interval_s)
    nu = max(len(rest) - len(fit.found), 1)
    noise = float(np.sqrt(rest @ rest / nu))
    return noise, K * noise / math.sqrt(2 * nu)


def _hum(fit: _Harmonics, floor: float, duration_s: float) -> tuple[tuple[float, float] | None, float | None]:
    """rms of the stronger harmonic with its u, and its frequency where that is known and it is there at
    all.
    """
    if not fit.hertz:
        return None, None
    sizes = [math.hypot(*fit.found[2 * n + 1 : 2 * n + 3]) / math.sqrt(2) for n in range(len(fit.hertz))]
    strongest = int(np.argmax(sizes))
    u = max(fit.u(2 * strongest + c, max(fit.scatter, floor)) for c in (1, 2)) / math.sqrt(2)
    told = len(fit.hertz) > 1 and sizes[strongest] > 2 * u and duration_s * MAINS_HZ[0] >= PERIODS_APART
    return (sizes[strongest], u), fit.hertz[strongest] if told else None


def _value(value: float, u_record: float, tolerance: float) -> Value:
    return Value(float(value), combined(u_record, from_tolerance(tolerance) * abs(value)), u_record, "V")
