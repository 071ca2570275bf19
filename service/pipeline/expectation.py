"""What a test is held against: nominal line settings, logic family, limits, the instrument's accuracy."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.pipeline.readings import FrameFormat

LOGIC_FAMILIES = ("1.8", "2.5", "3.3", "5-ttl", "5-cmos", "rs232")


@dataclass(frozen=True)
class Accuracy:
    """From the scope's data sheet; `assumed` names those that nobody stated."""

    timebase_ppm: float = 25.0
    vertical_percent: float = 3.0
    assumed: tuple[str, ...] = ("timebase_ppm", "vertical_percent")


@dataclass(frozen=True)
class Limits:
    """All limits of an echo test. Reasons and sources: the table LIMITS in limits.py."""

    latency_max_s: float = 2e-3
    rate_percent: float = 2.0
    required: tuple[str, ...] = ("content", "order", "framing", "timing", "rate", "levels")
    # the rest is filled by limits.py; every field is optional for a station or a plan


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
