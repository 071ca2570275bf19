"""The border of the pipeline: one line of one shot as raw codes with their scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

TRACE_KINDS = "iuf"


@dataclass(frozen=True, eq=False)
class Trace:
    """Evenly spaced samples of one line.

    volts = codes * volts_per_code + volts_at_code_zero. Codes stay as they were delivered (int8, uint8,
    int16, ... or float from a text file): later stages compute volts only where they need them.
    `code_min` and `code_max` are the converter's ends where known: samples there may be clipped.
    """

    codes: NDArray[Any]
    """Shape (samples,)."""
    volts_per_code: float
    volts_at_code_zero: float
    interval_s: float
    start_s: float
    code_min: float | None = None
    code_max: float | None = None
    channel: str = ""
    """As a person names it: "ch1", "ch2", ..."""

    def __post_init__(self) -> None:
        codes = self.codes
        if codes.ndim != 1 or codes.dtype.kind not in TRACE_KINDS:
            raise ValueError(
                f"a trace must be one row of numbers, {self.channel or 'it'} was {codes.dtype} "
                f"with shape {codes.shape}"
            )
        if not (np.isfinite(self.interval_s) and self.interval_s > 0):
            raise ValueError(f"interval_s must be positive, was {self.interval_s!r}")
        if not (np.isfinite(self.volts_per_code) and self.volts_per_code != 0):
            raise ValueError(f"volts_per_code must be finite and not zero, was {self.volts_per_code!r}")
        if codes.dtype.kind == "f" and not np.isfinite(codes).all():
            bad = int(np.flatnonzero(~np.isfinite(codes))[0])
            raise ValueError(f"sample {bad} of {self.channel or 'the trace'} is not a finite number")

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def duration_s(self) -> float:
        """From the first sample to the last."""
        return max(len(self.codes) - 1, 0) * self.interval_s

    @property
    def end_s(self) -> float:
        """Time of the last sample."""
        return self.start_s + self.duration_s

    def volts(self, codes: NDArray[Any] | None = None) -> NDArray[np.float64]:
        """Volts of the given codes (all of the trace's when None)."""
        chosen = self.codes if codes is None else codes
        return np.asarray(chosen, dtype=np.float64) * self.volts_per_code + self.volts_at_code_zero


@dataclass(frozen=True, eq=False)
class Shot:
    """Both lines of one shot, by ROLE: what the PC speaks and what the firmware answers."""

    to_target: Trace
    from_target: Trace
    sent: bytes | None = None
    """What the PC wrote for this shot, where that is known."""
    triggered: bool = True
    """False when the capture was forced because nothing triggered."""
    trigger_level_v: float | None = None
    owed: bytes = b""
    """Characters that the PC sent before this shot and had no answer to: it may come in this one."""
    closeup: bool = False
    """Taken only to see edges closely: they are measured in it, but it is no part of the test."""
