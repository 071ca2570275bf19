"""Limits of a station check with their reason and source; each can be set per station in the stations file.

A limit with a usual value of the station beside it counts from there, the others from zero.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any


class CheckLimitError(ValueError):
    """A limit that does not exist or a value that it cannot have."""


@dataclass(frozen=True)
class CheckLimits:
    """Units stand in the names; reasons in CHECK_LIMITS."""

    answer_time_max_s: float = 0.5
    clock_behind_max_s: float = 60.0
    zero_percent: float = 3.0
    noise_percent: float = 2.0
    swing_percent: float = 10.0
    swing_change_percent: float = 1.5
    compensation_percent: float = 5.0
    overshoot_percent: float = 10.0
    crosstalk_percent: float = 5.0
    rate_percent: float = 2.0
    time_base_percent: float = 0.05
    time_base_change_percent: float = 0.02
    trigger_spread_bits: float = 0.1
    line_load_min_percent: float = 90.0
    latency_max_s: float = 2e-3
    latency_change_s: float = 50e-6
    flat_percent: float = 2.0
    gain_percent: float = 3.0
    match_percent: float = 2.0
    delay_max_s: float = 5e-9
    reference_level_percent: float = 5.0
    reference_rate_percent: float = 1.0
    stop_above_v: float = 6.0
    valid_hours: float = 24.0


@dataclass(frozen=True)
class CheckLimitRow:
    """One row of CHECK_LIMITS."""

    name: str
    unit: str
    reason: str
    source: str

    @property
    def default(self) -> float:
        value: float = getattr(CheckLimits(), self.name)
        return value


def check_limits_from(stated: Mapping[str, Any]) -> CheckLimits:
    """Limits with the stated ones in place of the defaults.

    Raises CheckLimitError for an unknown name (naming the nearest one) and for a value that is not positive.
    """
    known = [row.name for row in CHECK_LIMITS]
    for name, value in stated.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, 1, 0.0)
            raise CheckLimitError(f"there is no limit {name!r}; the nearest one is {near[0]!r}")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < float("inf"):
            raise CheckLimitError(f"{name} must be a number above zero, was {value!r}")
    return CheckLimits(**{name: float(value) for name, value in stated.items()})


_PRACTICE = "common practice, no source"

CHECK_LIMITS: tuple[CheckLimitRow, ...] = (
    CheckLimitRow(
        "answer_time_max_s", "s",
        "Median time of a short question. An instrument answers within tens of milliseconds; at half a "
        "second a check of a whole room is late.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "clock_behind_max_s", "s",
        "The service's clock may not lie behind its own newest record: results would be dated wrongly.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "zero_percent", "%",
        "What a channel shows with its input at ground, in percent of the station's logic swing. Data sheets "
        "allow about 2 % of the window for offset.",
        "common practice, no source (offset accuracy in data sheets)",
    ),
    CheckLimitRow(
        "noise_percent", "%",
        "rms noise of an idle line in percent of the logic swing. A converter of 8 bits alone gives "
        "q / sqrt(12), 0.26 % in the window used here; eight times that is a loose clip or a source nearby.",
        "quantisation noise q / sqrt(12)",
    ),
    CheckLimitRow(
        "swing_percent", "%",
        "Swing of a line against the supply of its family: a board's regulator holds 3 %, the scope's gain "
        "3 %, an output stage drops a little. A station with another supply states its own.",
        "JESD8 family tables (supply tolerances), data sheets (3 % gain)",
    ),
    CheckLimitRow(
        "swing_change_percent", "%",
        "Swing against the station's own usual: supply and gain hardly move from day to day; 3 % must be "
        "found.",
        "needs of this house (A4: 3 % gain error found in 99 %)",
    ),
    CheckLimitRow(
        "compensation_percent", "%",
        "Slow part of a step, seen in traffic. A probe is trimmed flat within 2 % on the reference terminal.",
        "pole-zero model of a passive probe; the tolerance is common practice, no source",
    ),
    CheckLimitRow(
        "overshoot_percent", "%",
        "Overshoot of an edge in the close-up: a few percent with a short ground spring, 10 % and more with "
        "a long lead.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "crosstalk_percent", "%",
        "A copy of the other line's steps in percent of its swing: the echo test names it from here on.",
        "limit crosstalk_percent of the echo test",
    ),
    CheckLimitRow(
        "rate_percent", "%",
        "Bit rate of either end against nominal, for both ends together stay within what a receiver bears.",
        "USART chapter of an 8-bit controller's data sheet, receiver error table",
    ),
    CheckLimitRow(
        "time_base_percent", "%",
        "What two crystals (link and board, each within about 100 ppm) can prove of the scope's clock. A "
        "scope that is off by less is found by comparison with its usual, or with the room. Never less than "
        "four times U: a scope with little memory is held to what its records prove.",
        "common practice, no source (tolerances of crystals in data sheets)",
    ),
    CheckLimitRow(
        "time_base_change_percent", "%",
        "Both rates moved together since the usual: the scope's clock did. Crystals move by some ppm with "
        "a room's temperature. Never less than four times U.",
        "common practice, no source (temperature curves of crystals in data sheets)",
    ),
    CheckLimitRow(
        "trigger_spread_bits", "bits",
        "Standard deviation of the trigger's place over repeated shots, in bit times.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "line_load_min_percent", "%",
        "Share of the full line rate that the link reached: below it, echo at full rate is not proven, and "
        "said so.",
        "needs of this house (D9 asks 99 % for grading; links send in bursts of 64 with gaps)",
    ),
    CheckLimitRow(
        "latency_max_s", "s", "Median latency of the golden echo.", "limit latency_max_s of the echo test"
    ),
    CheckLimitRow(
        "latency_change_s", "s",
        "Latency against the station's own usual: another program on the board answers otherwise. "
        "One bit time is always allowed.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "flat_percent", "%",
        "Compensation error of a probe on the reference terminal: what a person can trim by hand, and a "
        "quarter of what moves a reading by the scope's own 3 %.",
        "pole-zero model of a passive probe; the tolerance is common practice, no source",
    ),
    CheckLimitRow(
        "gain_percent", "%",
        "Gain of a channel against a metered source, and of its ranges against each other.",
        "common practice, no source (vertical accuracy in data sheets)",
    ),
    CheckLimitRow(
        "match_percent", "%",
        "The two channels of one scope on one node: they are adjusted together, and agree better than either "
        "is true, so that one that is 3 % off is found without a meter.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "delay_max_s", "s",
        "One channel against the other on one node; a metre of cable is about 5 ns, so that two probes of "
        "one kind stay within it.",
        "common practice, no source (5 ns/m is the delay of coaxial cable with solid polyethylene)",
    ),
    CheckLimitRow(
        "reference_level_percent", "%",
        "Swing of the reference terminal against what is printed beside it. It is nominal, not calibrated.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "reference_rate_percent", "%",
        "Frequency of the reference terminal against what is printed beside it. It shows that the output "
        "works, never that the time base is right: both run from one oscillator.",
        _PRACTICE,
    ),
    CheckLimitRow(
        "stop_above_v", "V",
        "A reading above it ends a person's step at once: take the tip off, call staff. Where a station's "
        "own logic goes higher, a quarter above that counts.",
        "needs of this house (9.12)",
    ),
    CheckLimitRow(
        "valid_hours", "h", "How long a status lasts unless something breaks it.", "needs of this house (B5)"
    ),
)  # fmt: skip

assert {row.name for row in CHECK_LIMITS} == {f.name for f in fields(CheckLimits)}
