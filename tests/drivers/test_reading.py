"""Reading one answer, without any network: whole, byte by byte, and cut at every place."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import ReplyError, TimedOut
from drivers.reading import Source, read_block, read_text


class Script:
    """A source that holds `data` and gives at most `gives` bytes at once; then silence, or its end."""

    def __init__(self, data: bytes, *, gives: int = 1 << 20, marks_end: bool = False) -> None:
        self.left = data
        self.gives = gives
        self.piece_bytes = 7
        self.marks_end = marks_end
        self.timeout_s = 1.0
        self.slowest_bytes_per_s = 1e5
        self.direct: Callable[[memoryview, float], int] | None = None
        self.stops = True

    def read(self, count: int) -> tuple[bytes, bool]:
        """As a VISA read: up to `count`, fewer only at a newline or at the end of a message."""
        piece = self.left[:count]
        if self.stops and b"\n" in piece:
            piece = piece[: piece.index(b"\n") + 1]
        self.left = self.left[len(piece) :]
        if len(piece) < count and not (self.marks_end or (piece.endswith(b"\n") and self.stops)):
            raise TimedOut("silence")
        return piece, len(piece) < count or (self.marks_end and not self.left)

    def set_timeout(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s

    def stop_at_newline(self, on: bool) -> None:
        self.stops = on


def source(data: bytes, *, marks_end: bool = False) -> Source:
    return Script(data, marks_end=marks_end)


@given(st.binary(max_size=200), st.booleans())
def test_every_payload_is_read_whole_and_nothing_is_left(payload: bytes, marks_end: bool) -> None:
    """In pieces of seven bytes, on both kinds of transport."""
    script = Script(b"#3%03d" % len(payload) + payload + b"\n", marks_end=marks_end)
    assert read_block(script, 1.0, 1000, True).tobytes() == payload
    assert script.left == b""


@given(st.integers(min_value=0, max_value=24), st.booleans())
def test_a_block_that_is_cut_anywhere_is_an_error(cut: int, marks_end: bool) -> None:
    """Never a shorter record. (Where the transport marks the end, only the newline may be missing.)"""
    whole = b"#220" + b"\n" * 20 + b"\n"
    if marks_end and cut == 24:
        assert len(read_block(source(whole[:cut], marks_end=True), 1.0, 1000, True)) == 20
        return
    with pytest.raises((ReplyError, TimedOut)):
        read_block(source(whole[:cut], marks_end=marks_end), 1.0, 1000, True)


@pytest.mark.parametrize("marks_end", [False, True])
def test_what_follows_a_block_must_be_its_end(marks_end: bool) -> None:
    """More data than the header says is never dropped silently."""
    with pytest.raises(ReplyError, match="more bytes follow"):
        read_block(source(b"#13abcdef\n", marks_end=marks_end), 1.0, 1000, True)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_both_ways_to_end_a_line_end_a_block(end: bytes) -> None:
    """Some instruments send CR too."""
    assert read_block(source(b"#13abc" + end), 1.0, 1000, True).tobytes() == b"abc"


def test_a_block_longer_than_expected_is_refused_before_anything_is_read() -> None:
    """A damaged header must not reserve a gigabyte."""
    script = Script(b"#9999999999" + bytes(50))
    with pytest.raises(ReplyError, match="at most 1000"):
        read_block(script, 1.0, 1000, True)
    assert len(script.left) == 50


@pytest.mark.parametrize("marks_end", [False, True])
def test_a_text_ends_at_its_newline_or_its_end(marks_end: bool) -> None:
    """However long it is."""
    text = b"1.5," * 5000
    assert read_text(source(text + b"\n", marks_end=marks_end)) == text + b"\n"
    assert read_text(source(text, marks_end=True)) == text
