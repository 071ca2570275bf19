"""What the signal stages say about one line: the records between the stages.

The signal side (levels, edges, characters, formats) fills a `LineReading`; the judging side (echoes,
measurements, findings, verdict) reads nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.trace import Trace

FRAMING, PARITY, BREAK, CUT = 1, 2, 4, 8
"""Bits of `Characters.errors`."""

ERROR_WORDS = {FRAMING: "framing", PARITY: "parity", BREAK: "break", CUT: "cut"}


@dataclass(frozen=True)
class Value:
    """A measured number with its expanded uncertainties (k = 2).

    `u_record` comes from the record alone (noise, sampling, fit); `u` also holds the instrument's time base
    or gain accuracy (JCGM 100: combined in quadrature). None = could not be measured honestly; a finding
    says why.
    """

    value: float
    u: float
    u_record: float
    unit: str


@dataclass(frozen=True)
class Levels:
    """State levels (IEEE 181 histogram modes) of one line, in codes and volts."""

    low_code: float
    high_code: float
    low_v: float
    high_v: float
    noise_v: float
    """rms around the nearer state, away from edges."""
    u_low_v: float
    u_high_v: float
    """Expanded (k = 2), from the record alone."""
    overshoot_percent: float | None = None
    clipped_low: bool = False
    clipped_high: bool = False

    @property
    def amplitude_v(self) -> float:
        return self.high_v - self.low_v

    @property
    def mid_v(self) -> float:
        return 0.5 * (self.low_v + self.high_v)


@dataclass(frozen=True, eq=False)
class Edges:
    """50 % crossings of one line, alternating, in time order."""

    times_s: NDArray[np.float64]
    """Shape (edges,): transition occurrence instants (IEEE 181) on the capture's time axis."""
    rising: NDArray[np.bool_]
    """Shape (edges,)."""
    glitches: int = 0
    """Excursions too short to be part of a character that were left out."""

    def __len__(self) -> int:
        return len(self.times_s)


@dataclass(frozen=True, order=True)
class FrameFormat:
    """Data bits, parity, stop bits; str() gives the usual "8N1"."""

    data_bits: int
    parity: str
    """N none, E even, O odd, M mark, S space."""
    stop_bits: float
    """1, 1.5 or 2."""

    def __post_init__(self) -> None:
        if self.data_bits not in range(5, 10) or self.parity not in tuple("NEOMS"):
            raise ValueError(f"no such frame: {self.data_bits}{self.parity}{self.stop_bits}")
        if self.stop_bits not in (1, 1.5, 2):
            raise ValueError(f"stop bits must be 1, 1.5 or 2, was {self.stop_bits!r}")

    @classmethod
    def parse(cls, text: str) -> FrameFormat:
        """From "8N1", "7E2", "5N1.5"; ValueError names what is allowed."""
        try:
            return cls(int(text[0]), text[1].upper(), float(text[2:]))
        except (ValueError, IndexError):
            raise ValueError(
                f"frame {text!r} is not of the form 8N1: data bits 5-9, parity N E O M S, stop bits 1 1.5 2"
            ) from None

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity}{self.stop_bits:g}"

    @property
    def bits_to_last_data(self) -> int:
        """Start, data and parity bits: where the stop element begins, in bit times after the start edge."""
        return 1 + self.data_bits + (self.parity != "N")

    @property
    def total_bits(self) -> float:
        """Start edge to the end of the last stop bit, in bit times."""
        return self.bits_to_last_data + self.stop_bits


@dataclass(frozen=True, eq=False)
class Characters:
    """Framed characters of one line in time order; arrays of shape (characters,)."""

    values: NDArray[np.int32]
    """-1 where the record was cut before all data bits were seen (errors then has CUT)."""
    start_s: NDArray[np.float64]
    """50 % crossing of the start edge; the record's first instant for a character that began before it."""
    end_s: NDArray[np.float64]
    """End of the last stop bit, computed with the measured bit time: there is no edge to see there."""
    errors: NDArray[np.uint8]
    """Bits FRAMING, PARITY, BREAK, CUT; a cut character never has 0."""
    first_edge: NDArray[np.int64]
    """Index into the line's Edges of the start edge (-1 when it lies before the record)."""
    last_edge: NDArray[np.int64]
    """Index into Edges of the last edge inside the frame, the edge to the stop element included."""
    confidence: NDArray[np.float64] | None = None
    """Smallest bit margin of each character in units of noise, where the careful path was used."""

    def __len__(self) -> int:
        return len(self.values)


@dataclass(frozen=True)
class FrameOdds:
    """One surviving format with its odds (0..1, all survivors together 1)."""

    frame: FrameFormat
    odds: float


@dataclass(frozen=True, eq=False)
class LineReading:
    """Everything that the signal side found on one line of one shot."""

    trace: Trace
    levels: Levels | None
    """None: no two levels were found (idle, noise only, nothing connected)."""
    idle_high: bool | None
    edges: Edges
    bit_time_s: Value | None
    """Unit s; `u` without the instrument yet equals `u_record`: measurements combine the time base in."""
    frame: FrameFormat | None
    """The format that the characters were read with."""
    possible: tuple[FrameOdds, ...]
    """Formats that the record allows, most likely first."""
    characters: Characters
    flat_v: float | None = None
    """Level of a line without activity, volts."""
    noise_v: float = 0.0
    samples_per_bit: float | None = None
    notes: dict[str, Any] = field(default_factory=dict)
    """Facts that findings are made of, by name: `rate_candidates`, `clipped_samples`, ..."""
