"""From what a scope sends of a record to codes, volts and seconds: pure functions.

The conversion is put together from named terms, of which a dialect states those that its scopes have:

    volts = (code - code_reference - code_origin) x volts_per_code + volts_at_reference - volts_subtracted

    volts_per_code = volts_per_code, or window / codes_per_window, or per_division / codes_per_division
    interval       = sample_interval (or a rate in Hz), else the setting that was read back
    start          = start, or -time_before, or -trigger_point x interval, else from the settings

Terms are at the probe tip or at the input connector, as the dialect says (`referred`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.errors import ReplyError
from drivers.scope import scpi
from drivers.scope.dialect import CodeFormat, Fetch, Windows


@dataclass(frozen=True)
class Window:
    """One part of a record, in the numbers of the scope."""

    first: int
    last: int
    count: int

    @property
    def words(self) -> dict[str, str]:
        """For the placeholders of a fetch."""
        return {"first": str(self.first), "last": str(self.last), "count": str(self.count)}


@dataclass(frozen=True)
class Scale:
    """volts = code x volts_per_code + volts_at_code_zero, at the probe tip; the converter's ends in codes."""

    volts_per_code: float
    volts_at_code_zero: float
    code_min: int
    code_max: int


def windows_of(points: int, rules: Windows | None) -> tuple[Window, ...]:
    """The parts in which a record of `points` samples is fetched."""
    if rules is None:
        return (Window(0, points - 1, points),)
    starts = range(0, points, rules.points)
    return tuple(
        Window(start + rules.first, min(start + rules.points, points) - 1 + rules.first,
               min(rules.points, points - start))
        for start in starts
    )  # fmt: skip


def dtype_of(code: CodeFormat) -> np.dtype[np.integer]:
    """How one word of a block is read."""
    order = ">" if code.byte_order == "big" else "<"
    return np.dtype(f"{order}{'i' if code.signed else 'u'}{code.bytes}")


def codes_from_block(data: NDArray[np.uint8], code: CodeFormat) -> NDArray[np.integer]:
    """Words of a block as integers in this machine's byte order, otherwise as sent; shape (points,)."""
    if len(data) % code.bytes:
        raise ReplyError(
            f"a block of {len(data)} bytes does not hold whole words of {code.bytes} bytes",
            expected=f"a multiple of {code.bytes} bytes",
        )
    words = data.view(dtype_of(code))
    return words.astype(words.dtype.newbyteorder("="), copy=False)


def codes_from_text(text: str, code: CodeFormat) -> NDArray[np.integer]:
    """Whole codes as text with commas; shape (points,)."""
    native = dtype_of(code).newbyteorder("=")
    values = [scpi.parse_integer(item) for item in text.split(",")]
    ends = np.iinfo(native)
    for value in values:
        if not ends.min <= value <= ends.max:
            raise ReplyError(
                f"code {value} does not fit {code.bits} bits", expected=f"{ends.min}..{ends.max}"
            )
    return np.array(values, dtype=native)


def scale_of(fetch: Fetch, terms: Mapping[str, float], ratio: float) -> Scale:
    """Volts of the words as sent.

    Args:
        terms: the named terms in volts and codes, as they came.
        ratio: of the probe, for terms that are at the input connector.
    """
    code = fetch.code
    shift = 8 * code.bytes - code.bits if code.left_justified else 0
    per_word = 2.0**-shift if code.scale_per == "code" else 1.0
    at_tip = ratio if fetch.referred == "input" else 1.0
    volts_per_code = _volts_per_code(terms)
    reference = terms.get("code_reference", 0.0) + terms.get("code_origin", 0.0)
    at_zero = terms.get("volts_at_reference", 0.0) - terms.get("volts_subtracted", 0.0)
    low, high = _ends(code, shift)
    return Scale(
        volts_per_code=volts_per_code * per_word * at_tip,
        volts_at_code_zero=(at_zero - reference * volts_per_code) * at_tip,
        code_min=code.minimum if code.minimum is not None else low,
        code_max=code.maximum if code.maximum is not None else high,
    )


def interval_of(terms: Mapping[str, float], read_back_s: float) -> float:
    """Seconds between samples of this record."""
    interval = terms.get("sample_interval", read_back_s)
    if not interval > 0:
        raise ReplyError(f"the record has a sample interval of {interval!r} s", expected="more than 0 s")
    return interval


def start_of(terms: Mapping[str, float], interval_s: float, read_back_s: float) -> float:
    """Time of the first sample after the trigger event, seconds."""
    if "start" in terms:
        return terms["start"]
    if "time_before" in terms:
        return -terms["time_before"]
    if "trigger_point" in terms:
        return -terms["trigger_point"] * interval_s
    return read_back_s


def _volts_per_code(terms: Mapping[str, float]) -> float:
    if "volts_per_code" in terms:
        value = terms["volts_per_code"]
    elif "window" in terms:
        value = terms["window"] / terms["codes_per_window"]
    else:
        value = terms["per_division"] / terms["codes_per_division"]
    if not (np.isfinite(value) and value != 0):
        raise ReplyError(f"the scale of the record is {value!r} V for one code", expected="a number, not 0")
    return value


def _ends(code: CodeFormat, shift: int) -> tuple[int, int]:
    """The ends of the converter in words as sent."""
    low = -(1 << (code.bits - 1)) if code.signed else 0
    high = low + (1 << code.bits) - 1
    return low << shift if low >= 0 else -((-low) << shift), high << shift
