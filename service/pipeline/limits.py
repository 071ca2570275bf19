"""All default limits with their reason and source; each can be set per station or per plan.

The defaults themselves stand once, in `expectation.Limits`; this table says why they are what they are.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from service.pipeline.expectation import CRITERIA, Limits

DEFAULTS = Limits()


class LimitError(ValueError):
    """A limit that does not exist or a value that it cannot have."""


@dataclass(frozen=True)
class LimitRow:
    """One limit: `name` as in a stations file, its unit, why the default is what it is, where that comes
    from.
    """

    name: str
    unit: str
    reason: str
    source: str

    @property
    def default(self) -> Any:
        """The value when nobody states one; None = from the logic family."""
        return getattr(DEFAULTS, self.name)


def limits_from(stated: Mapping[str, Any], others: Limits = DEFAULTS) -> Limits:
    """Limits with the stated ones in place of the `others`.

    Raises LimitError for an unknown name (naming the nearest one) and for a value out of its range.
    """
    known = [row.name for row in LIMITS]
    for name, value in stated.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, 1, 0.0)
            raise LimitError(f"there is no limit {name!r}; the nearest one is {near[0]!r}")
        _check(name, value)
    values: dict[str, Any] = {k: tuple(v) if k == "required" else float(v) for k, v in stated.items()}
    return replace(others, **values)


def _check(name: str, value: Any) -> None:
    if name == "required":
        unknown = [v for v in value if v not in CRITERIA] if isinstance(value, (list, tuple)) else [value]
        if unknown:
            raise LimitError(
                f"required must list criteria out of {', '.join(CRITERIA)}, {unknown[0]!r} is none"
            )
        return
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:
        raise LimitError(f"{name} must be a number, was {value!r}")
    if not name.startswith("level_") and not value > 0:
        raise LimitError(f"{name} must be positive, was {value!r}")


LIMITS: tuple[LimitRow, ...] = (
    LimitRow(
        "latency_max_s",
        "s",
        "End of the stop bit to the start of the echo. Interrupt and polled echoes answer within 50 us, "
        "loops that "
        "also serve a display or a converter within a few ms; 2 ms leaves room for the first and names "
        "the second.",
        "common practice, no source",
    ),
    LimitRow(
        "rate_percent",
        "%",
        "Deviation of the bit rate from nominal. The receiver arithmetic 0.5/9.5 gives 5.26 % for both ends "
        "together, 4.60 % with 16 samples a bit; a data sheet recommends 2.0 % for 8 data bits so that "
        "the other "
        "end keeps its share.",
        "USART chapter of an 8-bit controller's data sheet, receiver error table (Rslow 95.36 %, Rfast "
        "104.58 %)",
    ),
    LimitRow(
        "level_low_max_v",
        "V",
        "The low level must be at or below what the receiving family takes for low (VIL).",
        "JESD8 family tables, TIA-232-F receiver (families.py)",
    ),
    LimitRow(
        "level_high_min_v",
        "V",
        "The high level must be at or above what the receiving family takes for high (VIH).",
        "JESD8 family tables, TIA-232-F receiver (families.py)",
    ),
    LimitRow(
        "level_beyond_supply_v",
        "V",
        "How far a level may lie outside the receiver's supply: protection diodes conduct a little "
        "beyond it.",
        "common practice, no source (absolute maximum ratings of many data sheets)",
    ),
    LimitRow(
        "edge_percent",
        "%",
        "Rise and fall time (10 to 90 %) in percent of the bit time. A receiver samples the middle three of "
        "sixteen parts of a bit; an edge under a fifth of a bit stays clear of them. Not required by "
        "default.",
        "common practice, no source (TIA-232-F asks 4 % for its own transition region)",
    ),
    LimitRow(
        "samples_per_bit_warn",
        "",
        "Below five samples a bit a receiver clock 4 % off begins to cost characters.",
        "simulation over 3000 frames: 3.5 a bit 0.026, 4 a bit 0.002, 5 a bit no errors at 4 %",
    ),
    LimitRow(
        "samples_per_bit_min",
        "",
        "Below three samples a bit characters are lost even at 2 %: no claim about time or content is made.",
        "the same simulation: 2 a bit 0.04 at 2 %",
    ),
    LimitRow(
        "samples_per_edge_min",
        "",
        "Rise and fall times by interpolation are biased by 8 % at three samples an edge and 47 % at one.",
        "closed form of a one-pole edge, linearly interpolated",
    ),
    LimitRow(
        "noise_warn_db",
        "dB",
        "Half the swing over the rms noise. At 14 dB (five to one) single samples begin to cross the middle.",
        "normal distribution: one sample in 3.5 million beyond five sigma",
    ),
    LimitRow(
        "noise_min_db",
        "dB",
        "Below 6 dB characters can no longer be told reliably: nothing is judged.",
        "the decoder's own goal: character error rate 1e-3 at 6 dB",
    ),
    LimitRow(
        "crosstalk_percent",
        "%",
        "A copy of the other line's steps of this size, in percent of its swing, is named.",
        "common practice, no source",
    ),
    LimitRow(
        "zero_shift_percent",
        "%",
        "Both levels moved by the same amount, in percent of the swing: more than an output stage's drop.",
        "common practice, no source",
    ),
    LimitRow(
        "answer_wait_characters",
        "characters",
        "How long the record must go on after a character before its echo counts as missing (never "
        "longer than "
        "latency_max_s, never shorter than four times the slowest echo seen): a shorter record cannot tell.",
        "common practice, no source",
    ),
    LimitRow(
        "required",
        "",
        "All that makes an echo right and readable; edges say more about the wiring than about the firmware.",
        "the decision of this house",
    ),
)

assert {row.name for row in LIMITS} == {f.name for f in fields(Limits)}
