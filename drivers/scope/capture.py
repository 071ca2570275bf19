"""What the scope measured in one shot: raw codes and everything needed to read them. Never altered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

SettingValue = str | float | int | bool


@dataclass(frozen=True)
class Identity:
    """The four fields of an `*IDN?` answer (IEEE 488.2 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, eq=False)
class ChannelRecord:
    """One channel of one shot.

    volts = codes * volts_per_code + volts_at_code_zero, referred to the probe tip as the scope's own
    probe factor has it. Codes at `code_min` or `code_max` are the converter's ends: the signal may have
    been clipped there.
    """

    name: str
    """The channel as the dialect names it, e.g. "1"."""
    codes: NDArray[Any]
    """Shape (points,), an integer dtype, read-only."""
    volts_per_code: float
    volts_at_code_zero: float
    code_min: int
    code_max: int
    settings: Mapping[str, SettingValue] = field(default_factory=dict)
    """As read back: probe_ratio, range_v, offset_v, coupling, ..."""

    def __post_init__(self) -> None:
        if self.codes.ndim != 1 or self.codes.dtype.kind not in "iu":
            raise ValueError(
                f"channel {self.name}: codes must be one row of integers, "
                f"was {self.codes.dtype} with shape {self.codes.shape}"
            )
        self.codes.flags.writeable = False


@dataclass(frozen=True)
class TriggerRecord:
    """How the shot was started. `fired` is False when the capture was forced."""

    source: str
    level_v: float
    slope: str
    """"rising" or "falling"."""
    fired: bool


@dataclass(frozen=True, eq=False)
class Capture:
    """Both channels of one shot with its time base, trigger, settings and the instrument's identity."""

    channels: tuple[ChannelRecord, ...]
    sample_interval_s: float
    start_s: float
    """Time of the first sample, seconds relative to the trigger event (negative: before it)."""
    trigger: TriggerRecord
    identity: Identity
    taken_at: str
    """UTC, RFC 3339 with Z."""
    settings: Mapping[str, SettingValue] = field(default_factory=dict)
    """Settings of the whole scope as read back."""
    known: Mapping[str, SettingValue] = field(default_factory=dict)
    """What whoever took it knew besides: what was sent, what was expected. The driver adds nothing."""

    def __post_init__(self) -> None:
        if not self.sample_interval_s > 0:
            raise ValueError(f"sample_interval_s must be positive, was {self.sample_interval_s!r}")
        lengths = {len(c.codes) for c in self.channels}
        if len(lengths) > 1:
            raise ValueError(f"channels of one shot must be of one length, were {sorted(lengths)}")

    def channel(self, name: str) -> ChannelRecord:
        """The channel of that name; KeyError names those that are there."""
        for record in self.channels:
            if record.name == name:
                return record
        raise KeyError(f"no channel {name!r} in this capture, it has {[c.name for c in self.channels]}")
