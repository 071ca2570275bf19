"""Everything that can be set on the scope, with the values that *RST gives."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from simulator.plan import ScopePlan

SMALLEST_WINDOW_V, LARGEST_WINDOW_V = 16e-3, 40.0
"""Vertical window at the input."""
LARGEST_CENTRE_V = 20.0
LONGEST_INTERVAL_S = 1.0
FEWEST_POINTS = 16
FACTORY_MESSAGE = "XTIMe:VOLTage 1"


@dataclass
class ChannelSettings:
    """One channel. Window and centre are kept at the input; what is seen of them is referred to the tip."""

    on: bool = True
    coupling: str = "DC"
    impedance: float = 1e6
    filtered: bool = False
    filter_hz: float = 20e6
    inverted: str = "NORM"
    corrected: bool = False
    loss_db: float = 0.0
    function: str = FACTORY_MESSAGE
    input_window_v: float = 8.0
    input_centre_v: float = 0.0
    stuck_window_v: float | None = None

    @property
    def factor(self) -> float:
        """What the scope believes the probe divides by."""
        return float(10 ** (self.loss_db / 20)) if self.corrected else 1.0

    @property
    def window_v(self) -> float:
        """Full vertical window, at the tip."""
        return (self.stuck_window_v or self.input_window_v) * self.factor

    @window_v.setter
    def window_v(self, value: float) -> None:
        self.input_window_v = value / self.factor

    @property
    def centre_v(self) -> float:
        """Centre of the window, at the tip."""
        return self.input_centre_v * self.factor

    @centre_v.setter
    def centre_v(self, value: float) -> None:
        self.input_centre_v = value / self.factor

    @property
    def upper_v(self) -> float:
        return self.centre_v + self.window_v / 2

    @upper_v.setter
    def upper_v(self, value: float) -> None:
        self._set_ends(self.lower_v, value)

    @property
    def lower_v(self) -> float:
        return self.centre_v - self.window_v / 2

    @lower_v.setter
    def lower_v(self, value: float) -> None:
        self._set_ends(value, self.upper_v)

    def _set_ends(self, lower: float, upper: float) -> None:
        self.window_v = max(upper - lower, SMALLEST_WINDOW_V * self.factor)
        self.centre_v = (upper + lower) / 2


@dataclass
class SweepSettings:
    """Common to both channels."""

    interval_s: float = 1e-6
    points: int = 1000
    offset_s: float = 0.0
    """Reference point minus trigger, in scope time."""
    location: float = 0.5
    """Where in the record the reference point lies, 0..1."""

    @property
    def time_s(self) -> float:
        """From the first sample to the last."""
        return self.interval_s * (self.points - 1)

    @time_s.setter
    def time_s(self, value: float) -> None:
        self.interval_s = value / (self.points - 1)

    @property
    def offset_points(self) -> float:
        return self.offset_s / self.interval_s

    @offset_points.setter
    def offset_points(self, value: float) -> None:
        self.offset_s = value * self.interval_s

    @property
    def first_s(self) -> float:
        """Scope time of sample 0 after the trigger event."""
        return self.offset_s - self.location * self.time_s

    @property
    def before_s(self) -> float:
        """How much of the record must be filled before a trigger counts."""
        return max(-self.first_s, 0.0)

    @property
    def after_s(self) -> float:
        """From the trigger to the last sample."""
        return self.first_s + self.time_s


@dataclass
class TriggerSettings:
    """The comparator and what it listens to."""

    source: str = "IMM"
    level_set_v: float = 0.0
    slope: str = "POS"
    type: str = "EDGE"
    coupling: str = "DC"
    filtered: bool = False
    """Behind a low pass of FILTER_HZ."""
    holdoff_s: float = 0.0
    """So long after each trigger no other one counts."""
    hysteresis_set_v: float | None = None
    continuous: bool = False
    stuck_v: float | None = None

    HYSTERESIS_OF_WINDOW: ClassVar[float] = 0.02
    FILTER_HZ: ClassVar[float] = 50e3

    @property
    def level_v(self) -> float:
        """Where the circuit really sits; reads back so."""
        return self.level_set_v if self.stuck_v is None else self.stuck_v

    @level_v.setter
    def level_v(self, value: float) -> None:
        self.level_set_v = value

    @property
    def channel(self) -> int | None:
        """The channel that is listened to, None when the source is none."""
        return int(self.source[3:]) if self.source.startswith("INT") else None

    def hears(self, channel: ChannelSettings) -> ChannelSettings:
        """The channel as it comes to the comparator."""
        coupling = "AC" if self.coupling == "AC" and channel.coupling == "DC" else channel.coupling
        if not self.filtered:
            return replace(channel, coupling=coupling)
        return replace(channel, coupling=coupling, filtered=True, filter_hz=self.FILTER_HZ)


@dataclass
class FormatSettings:
    """How records are sent."""

    data: str = "ASC"
    length: int = 0
    border: str = "NORM"


@dataclass
class Settings:
    """All of it, as after *RST."""

    channels: tuple[ChannelSettings, ...]
    trigger: TriggerSettings
    sweep: SweepSettings = field(default_factory=SweepSettings)
    format: FormatSettings = field(default_factory=FormatSettings)

    @classmethod
    def after_reset(cls, plan: ScopePlan) -> Settings:
        """*RST values; faults of the circuits stay."""
        channels = tuple(
            ChannelSettings(function=f"XTIMe:VOLTage {number}", stuck_window_v=plan_of.range_stuck_v)
            for number, plan_of in enumerate(plan.inputs, start=1)
        )
        return cls(channels=channels, trigger=TriggerSettings(stuck_v=plan.trigger_stuck_v))

    def hysteresis_v(self) -> float:
        """Of the comparator, at the tip: as set, or a share of the source channel's window."""
        if self.trigger.hysteresis_set_v is not None:
            return self.trigger.hysteresis_set_v
        channel = self.trigger.channel
        window = self.channels[channel - 1].window_v if channel else 1.0
        return self.trigger.HYSTERESIS_OF_WINDOW * window
