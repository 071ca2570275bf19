"""Codes, volts and seconds of a record."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.errors import ReplyError
from drivers.scope.dialect import CodeFormat, Fetch, RealFormat, Windows
from drivers.scope.waveform import (
    Scale,
    Window,
    codes_from_block,
    codes_from_text,
    codes_from_volts,
    interval_of,
    scale_of,
    start_of,
    volts_from_block,
    volts_from_text,
    windows_of,
)


def as_block(*values: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    return np.array(values, dtype=np.uint8)


def test_bytes_become_codes_as_the_format_says() -> None:
    """INTeger,16 of -2 is FF FE, most significant byte first (standards 2.5 [calc from IEEE 754 and
    FORMat])."""
    assert codes_from_block(as_block(0xFF, 0xFE), CodeFormat(bits=16, bytes=2)).tolist() == [-2]
    assert codes_from_block(
        as_block(0xFE, 0xFF), CodeFormat(bits=16, bytes=2, byte_order="little")
    ).tolist() == [-2]
    assert codes_from_block(as_block(0x80, 0x7F), CodeFormat()).tolist() == [-128, 127]
    assert codes_from_block(as_block(0x80, 0x7F), CodeFormat(signed=False)).tolist() == [128, 127]
    assert codes_from_block(as_block(), CodeFormat()).tolist() == []


def test_codes_are_in_this_machines_byte_order() -> None:
    """Whoever computes with them is not slowed down by foreign order."""
    assert codes_from_block(as_block(1, 2), CodeFormat(bits=16, bytes=2)).dtype.isnative


def test_half_a_word_is_refused() -> None:
    """Three bytes are no row of 16-bit words."""
    with pytest.raises(ReplyError, match="3 bytes"):
        codes_from_block(as_block(1, 2, 3), CodeFormat(bits=16, bytes=2))


def test_codes_may_come_as_text() -> None:
    """Whole numbers with commas; a code that does not fit is refused."""
    assert codes_from_text("-128, 0,+1.27E+2", CodeFormat()).tolist() == [-128, 0, 127]
    for text in ("128", "0.5", "1,,2", ""):
        with pytest.raises(ReplyError):
            codes_from_text(text, CodeFormat())


def test_windows_cover_a_record_once() -> None:
    """In the numbers of the scope, the last one shorter."""
    assert windows_of(2500, Windows(points=1000, first=1)) == (
        Window(1, 1000, 1000),
        Window(1001, 2000, 1000),
        Window(2001, 2500, 500),
    )
    assert windows_of(1000, Windows(points=1000)) == (Window(0, 999, 1000),)
    assert windows_of(7, None) == (Window(0, 6, 7),)


def scale(
    terms: dict[str, float], code: CodeFormat | None = None, **fetch: str
) -> tuple[float, float, int, int]:
    rules = Fetch(query="", code=code or CodeFormat(), **fetch)  # type: ignore[arg-type]
    found = scale_of(rules, terms, 10.0)
    return found.volts_per_code, found.volts_at_code_zero, found.code_min, found.code_max


def test_the_standard_conversion() -> None:
    """volts = code x P / 256 + O with P = 8 V, O = 2.5 V: 31.25 mV a code (standards 2.6 [calc])."""
    assert scale({"window": 8.0, "codes_per_window": 256, "volts_at_reference": 2.5}) == (
        0.03125,
        2.5,
        -128,
        127,
    )


def test_the_other_ways_to_say_it() -> None:
    """volts = (code - reference - origin) x scale + offset - subtracted."""
    unsigned = CodeFormat(signed=False)
    assert scale({"volts_per_code": 0.1, "code_reference": 128.0}, unsigned) == pytest.approx(
        (0.1, -12.8, 0, 255)
    )
    terms = {"per_division": 0.5, "codes_per_division": 25.0, "code_origin": 100.0, "volts_subtracted": 1.0}
    assert scale(terms, unsigned) == pytest.approx((0.02, -3.0, 0, 255))


def test_volts_at_the_input_are_brought_to_the_probe_tip() -> None:
    """A scope that knows no probe speaks of its connector: a 10x probe divides by ten."""
    assert scale({"volts_per_code": 0.01, "volts_at_reference": 0.25}, referred="input") == pytest.approx(
        (0.1, 2.5, -128, 127)
    )


def test_left_justified_words_keep_their_value() -> None:
    """12 bits in the upper part of 16: the word is the code x 16. Scales may be for either."""
    for_words = CodeFormat(bits=12, bytes=2, signed=False, left_justified=True)
    assert scale({"volts_per_code": 0.001, "code_reference": 32768.0}, for_words) == pytest.approx(
        (0.001, -32.768, 0, 65520)
    )
    for_codes = CodeFormat(bits=12, bytes=2, signed=False, left_justified=True, scale_per="code")
    assert scale({"volts_per_code": 0.016, "code_reference": 2048.0}, for_codes) == pytest.approx(
        (0.001, -32.768, 0, 65520)
    )
    signed = CodeFormat(bits=12, bytes=2, left_justified=True)
    assert scale({"volts_per_code": 1.0}, signed)[2:] == (-32768, 32752)


def test_a_scale_of_zero_is_refused() -> None:
    """Every sample would be the same voltage."""
    for value in (0.0, float("nan")):
        with pytest.raises(ReplyError):
            scale({"volts_per_code": value})


def test_the_time_base_of_the_record_wins_over_the_settings() -> None:
    """What comes with the record was measured with it."""
    assert interval_of({"sample_interval": 2e-9}, 1e-9) == 2e-9
    assert interval_of({}, 1e-9) == 1e-9
    assert start_of({"start": -1e-3}, 1e-6, 5.0) == -1e-3
    assert start_of({"time_before": 1e-3}, 1e-6, 5.0) == -1e-3
    assert start_of({"trigger_point": 100.0}, 1e-6, 5.0) == pytest.approx(-1e-4)
    assert start_of({}, 1e-6, 5.0) == 5.0
    with pytest.raises(ReplyError):
        interval_of({"sample_interval": 0.0}, 1e-9)


STEPS = Scale(volts_per_code=0.03125, volts_at_code_zero=1.65, code_min=-128, code_max=127)


def test_volts_in_a_block_are_ieee_754() -> None:
    """1.0 is 3F800000 in 32 bits and 3FF0000000000000 in 64 (IEEE 754 [calc])."""
    single, double = bytes.fromhex("3F800000"), bytes.fromhex("3FF0000000000000")
    assert volts_from_block(as_block(*single), RealFormat()).tolist() == [1.0]
    assert volts_from_block(as_block(*single[::-1]), RealFormat(byte_order="little")).tolist() == [1.0]
    assert volts_from_block(as_block(*double), RealFormat(bits=64)).tolist() == [1.0]
    with pytest.raises(ReplyError, match="whole numbers of 32 bits"):
        volts_from_block(as_block(1, 2, 3), RealFormat())
    assert volts_from_text("1.5, -2E-3").tolist() == [1.5, -2e-3]


def test_codes_are_found_behind_volts_that_lie_on_the_steps() -> None:
    """As exactly as 32-bit numbers carry them; 9.9E37 is over the range (SCPI-1999 vol. 1 7.2.1)."""
    codes = np.array([-128, -1, 0, 1, 127])
    volts = (codes * STEPS.volts_per_code + STEPS.volts_at_code_zero).astype(np.float32).astype(np.float64)
    found = codes_from_volts(volts, STEPS, CodeFormat())
    assert found.tolist() == codes.tolist()
    assert found.dtype == np.int8
    beyond = np.array([9.9e37, -9.9e37])
    assert codes_from_volts(beyond, STEPS, CodeFormat()).tolist() == [127, -128]
    upside_down = Scale(-0.03125, 1.65, -128, 127)
    assert codes_from_volts(beyond, upside_down, CodeFormat()).tolist() == [-128, 127]


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        ([1.65, 1.665], "between two steps"),  # half a step: averaged or interpolated
        ([1.65, 9.91e37], "between two steps"),  # not a number
        ([1.65, 1.65 + 128 * 0.03125], "do not fit"),
    ],
)
def test_volts_that_no_code_stands_behind_are_refused(volts: list[float], words: str) -> None:
    """Rounding them would make up codes that the converter never had."""
    for values in (np.array(volts), volts_from_text(",".join(map(repr, volts)))):
        with pytest.raises(ReplyError, match=words):
            codes_from_volts(values, STEPS, CodeFormat())
