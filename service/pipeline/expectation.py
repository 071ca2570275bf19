"""What a test is held against: nominal line settings, logic family, limits, the instrument's accuracy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.pipeline.readings import FrameFormat

LOGIC_FAMILIES = ("1.8", "2.5", "3.3", "5-ttl", "5-cmos", "rs232")
CRITERIA = ("content", "order", "framing", "timing", "rate", "levels", "edges")
"""What is judged, in the order in which people read it."""


@dataclass(frozen=True)
class Accuracy:
    """From the scope's data sheet; `assumed` names those that nobody stated."""

    timebase_ppm: float = 25.0
    vertical_percent: float = 3.0
    assumed: tuple[str, ...] = ("timebase_ppm", "vertical_percent")


@dataclass(frozen=True)
class Limits:
    """All limits of an echo test; reasons and sources stand in the table LIMITS of limits.py.

    None = taken from the logic family of the line.
    """

    latency_max_s: float = 2e-3
    rate_percent: float = 2.0
    level_low_max_v: float | None = None
    level_high_min_v: float | None = None
    level_beyond_supply_v: float = 0.3
    edge_percent: float = 20.0
    samples_per_bit_warn: float = 5.0
    samples_per_bit_min: float = 3.0
    samples_per_edge_min: float = 3.0
    noise_warn_db: float = 14.0
    noise_min_db: float = 6.0
    crosstalk_percent: float = 5.0
    zero_shift_percent: float = 10.0
    answer_wait_characters: float = 5.0
    required: tuple[str, ...] = ("content", "order", "framing", "timing", "rate", "levels")


@dataclass(frozen=True)
class Expectation:
    """None = not known: found from the record itself, and said so."""

    baud: float | None = None
    frame: FrameFormat | None = None
    logic: str | None = None
    sent: bytes | None = None
    limits: Limits = field(default_factory=Limits)
    accuracy: Accuracy = field(default_factory=Accuracy)
    bench_notes: tuple[str, ...] = ()
    limit_sources: Mapping[str, str] = field(default_factory=dict)
    """Limit -> who stated it ("station", "plan short"); those that nobody stated are missing."""
