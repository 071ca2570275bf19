"""What is asked of the scope, and what the scope made of it: the records that go in and come back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.errors import RequestError
from drivers.scope.capture import SettingValue

SAFE_IMPEDANCE_OHM = 1e6
"""50 ohm inputs are damaged by logic levels (5 V across 50 ohm is half a watt): never set otherwise unless a
setup says so."""
LOW_IMPEDANCE_OHM = 50.0

COUPLINGS = ("DC", "AC", "ground")
SLOPES = ("rising", "falling")


@dataclass(frozen=True)
class ChannelSetup:
    """One channel, referred to the probe TIP."""

    range_v: float
    """The full vertical window, volts from its bottom to its top."""
    offset_v: float = 0.0
    """Centre of the window, volts."""
    probe_ratio: float = 10.0
    """What the scope shall take the probe for: 10 for a 10x probe."""
    coupling: str = "DC"
    """DC, AC or ground."""
    impedance_ohm: float = SAFE_IMPEDANCE_OHM
    """Of the input; 50 only where somebody has seen to it that no more than 5 V can reach the connector. It
    is 1 megohm again when the session ends."""

    def __post_init__(self) -> None:
        _positive("range_v", self.range_v)
        _positive("probe_ratio", self.probe_ratio)
        _finite("offset_v", self.offset_v)
        _one_of("coupling", self.coupling, COUPLINGS)
        if self.impedance_ohm not in (SAFE_IMPEDANCE_OHM, LOW_IMPEDANCE_OHM):
            raise RequestError(f"impedance_ohm must be 1e6 or 50, was {self.impedance_ohm!r}")


@dataclass(frozen=True)
class TriggerSetup:
    """An edge trigger on one of the channels."""

    source: str
    """Name of the channel, e.g. "1"."""
    level_v: float
    """Referred to the probe tip."""
    slope: str = "falling"
    """"rising" or "falling"."""

    def __post_init__(self) -> None:
        _finite("level_v", self.level_v)
        _one_of("slope", self.slope, SLOPES)


@dataclass(frozen=True)
class ScopeSetup:
    """Everything that one shot needs. Channels that are not named are switched off."""

    channels: Mapping[str, ChannelSetup]
    sample_interval_s: float
    points: int
    trigger_position: float
    """Part of the record that lies before the trigger, 0..1."""
    trigger: TriggerSetup

    def __post_init__(self) -> None:
        if not self.channels:
            raise RequestError("a setup needs at least one channel, none was named")
        _positive("sample_interval_s", self.sample_interval_s)
        if self.points < 2:
            raise RequestError(f"points must be at least 2, was {self.points!r}")
        if not 0 <= self.trigger_position <= 1:
            raise RequestError(f"trigger_position must lie in 0..1, was {self.trigger_position!r}")


@dataclass(frozen=True)
class ChannelState:
    """One channel as read back from the scope."""

    name: str
    range_v: float
    offset_v: float
    probe_ratio: float
    coupling: str
    impedance_ohm: float

    @property
    def top_v(self) -> float:
        return self.offset_v + self.range_v / 2

    @property
    def bottom_v(self) -> float:
        return self.offset_v - self.range_v / 2


@dataclass(frozen=True)
class Difference:
    """A setting of which the scope made something else than was asked."""

    setting: str
    """E.g. "ch1 range_v"."""
    asked: SettingValue
    got: SettingValue


@dataclass(frozen=True)
class ScopeState:
    """What the scope made of a setup, read back: this counts, not what was asked."""

    channels: Mapping[str, ChannelState]
    sample_interval_s: float
    points: int
    start_s: float
    """Time of the first sample relative to the trigger event (negative: before it)."""
    trigger_source: str
    trigger_level_v: float
    trigger_slope: str
    differences: tuple[Difference, ...] = ()
    settings: Mapping[str, SettingValue] = field(default_factory=dict)
    """Every scope-wide setting by its name in the dialect, as read back."""

    @property
    def end_s(self) -> float:
        """Time of the last sample relative to the trigger event."""
        return self.start_s + (self.points - 1) * self.sample_interval_s


@dataclass(frozen=True)
class ScopeLimits:
    """What this scope can do, as far as its dialect knows or can ask. None: unknown."""

    points_max: int | None = None
    sample_interval_min_s: float | None = None
    range_min_v: float | None = None
    range_max_v: float | None = None


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise RequestError(f"{name} must be positive, was {value!r}")


def _finite(name: str, value: float) -> None:
    if not math.isfinite(value):
        raise RequestError(f"{name} must be a finite number, was {value!r}")


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise RequestError(f"{name} must be one of {', '.join(allowed)}, was {value!r}")
