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
from drivers.scope.dialect import CodeFormat, Fetch, RealFormat, Windows

ON_THE_STEP = 0.1
"""Of a step: 32-bit numbers and replies of six digits round to less for 16-bit codes of ordinary windows."""


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


def volts_from_block(data: NDArray[np.uint8], real: RealFormat) -> NDArray[np.float64]:
    """Voltages of a block of IEEE 754 numbers, as sent; shape (points,)."""
    if len(data) % (real.bits // 8):
        raise ReplyError(
            f"a block of {len(data)} bytes does not hold whole numbers of {real.bits} bits",
            expected=f"a multiple of {real.bits // 8} bytes",
        )
    return data.view(f"{'>' if real.byte_order == 'big' else '<'}f{real.bits // 8}").astype(np.float64)


def volts_from_text(text: str) -> NDArray[np.float64]:
    """Voltages from comma separated numbers; shape (points,)."""
    return np.array([scpi.parse_number(item) for item in scpi.split_items(text)], dtype=np.float64)


def codes_from_volts(volts: NDArray[np.float64], scale: Scale, code: CodeFormat) -> NDArray[np.integer]:
    """The converter's codes behind voltages at the probe tip; shape (points,).

    Each voltage must lie on a step of the converter, within rounding: a scope that filters, averages or
    interpolates, or terms that are wrong, would else be given codes that it never had. Infinite, or the
    9.9E37 of SCPI-1999 vol. 1 7.2.1, is the end of the converter; its 9.91E37 is no number, and refused.
    Raises ReplyError.
    """
    size = np.abs(volts)
    nothing = np.isclose(size, scpi.NOT_A_NUMBER, rtol=1e-5)
    volts = np.where(nothing, np.nan, volts)
    beyond = (size >= scpi.INFINITE * (1 - 1e-6)) & ~nothing
    upward = np.sign(volts) * np.sign(scale.volts_per_code) > 0
    with np.errstate(invalid="ignore"):
        places = (volts - scale.volts_at_code_zero) / scale.volts_per_code
    places = np.where(beyond, np.where(upward, scale.code_max, scale.code_min), places)
    codes = np.rint(places)
    off = np.abs(places - codes)
    if not np.all(off <= ON_THE_STEP):  # NaN is not
        worst = int(np.argmax(np.where(np.isnan(off), np.inf, off)))
        raise ReplyError(
            f"sample {worst} is {volts[worst]:.9g} V, between two steps of {scale.volts_per_code:.6g} V "
            f"around {scale.volts_at_code_zero:.6g} V: the terms of the conversion are wrong, or the scope "
            "filters or averages",
            expected="voltages on the steps of the converter",
        )
    if (
        codes.min(initial=scale.code_min) < scale.code_min
        or codes.max(initial=scale.code_max) > scale.code_max
    ):
        raise ReplyError(
            f"voltages from {volts.min():.6g} V to {volts.max():.6g} V do not fit into the converter's codes",
            expected=f"codes {scale.code_min}..{scale.code_max}",
        )
    return codes.astype(dtype_of(code).newbyteorder("="))


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
