"""What is asked of a scope for a record, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.scope.capture import Capture
from drivers.scope.setup import ChannelSetup, ScopeSetup, ScopeState, TriggerSetup

if TYPE_CHECKING:
    from service.stations import Station


@dataclass(frozen=True)
class Window:
    """The vertical window of a channel, volts at the probe tip."""

    range_v: float
    offset_v: float
    coupling: str = "DC"
    """DC, AC or ground."""


@dataclass(frozen=True)
class TimeBase:
    sample_interval_s: float
    points: int
    trigger_position: float

    @property
    def window_s(self) -> float:
        return self.sample_interval_s * self.points

    @property
    def before_s(self) -> float:
        return self.window_s * self.trigger_position


@dataclass(frozen=True)
class Taken:
    """A capture with what the link heard meanwhile and what the scope had made of the settings."""

    capture: Capture
    received: bytes
    state: ScopeState
    owed: bytes = b""
    """What was sent before it and not heard again."""
    more: bytes = b""
    """What the link brought beyond what was waited for, where somebody listened on."""


def setup_for(
    station: Station, windows: Mapping[str, Window], base: TimeBase, trigger: TriggerSetup
) -> ScopeSetup:
    """The driver's words for it, with the factor and input of the station's probe on each channel."""
    probes = {probe.channel: probe for probe in station.probes.values()}
    return ScopeSetup(
        channels={
            name: ChannelSetup(
                w.range_v, w.offset_v, float(probes[name].ratio), w.coupling, probes[name].input_ohm
            )
            for name, w in windows.items()
        },
        sample_interval_s=base.sample_interval_s,
        points=base.points,
        trigger_position=base.trigger_position,
        trigger=trigger,
    )
