"""How one answer is read from a session: text up to its end, a block by its length. No VISA library in
here."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.errors import ReplyError, TimedOut
from drivers.scope import scpi
from drivers.scope.dialect import SerialLine

SLOWEST_BYTES_PER_S = 100_000
"""A block may take this long on top of the time-out: slow instruments manage a few hundred kB/s."""
SERIAL_SHARE = 0.5
"""A serial line is slower than its bits by the pauses between them: half of what they allow is believed."""
TRAILER_TIMEOUT_S = 0.5
FIRST_TEXT_PIECE = 4096
LONGEST_TEXT = 64 << 20
SPARE_BYTES = 16
IN_HEADER = "the block ends within its header"
WHOLE = "as many bytes as its header says"
LEFT_TO_READ = 4 << 10
"""The end of a block is always read the usual way: there its end must show."""


class Source(Protocol):
    """What is read from. `read` gives up to `count` bytes and whether the message ended with them."""

    piece_bytes: int
    marks_end: bool
    """The transport says where a message ends; else only a newline does."""
    timeout_s: float
    slowest_bytes_per_s: float
    direct: Callable[[memoryview, float], int] | None
    """Receives straight into a view, within seconds, and gives how much came; 0: `read` must be used."""

    def read(self, count: int) -> tuple[bytes, bool]:
        """Raises TimedOut after `timeout_s` of silence."""

    def set_timeout(self, timeout_s: float) -> None:
        """For the reads to come."""

    def stop_at_newline(self, on: bool) -> None:
        """Whether a read ends at 0x0A."""


def slowest_of(line: SerialLine | None) -> float:
    """Bytes per second below which a block counts as stuck."""
    return SLOWEST_BYTES_PER_S if line is None else min(SLOWEST_BYTES_PER_S, SERIAL_SHARE * line.bytes_per_s)


def read_text(source: Source) -> bytes:
    """One answer up to and with its newline, or to the end that the transport marks."""
    source.stop_at_newline(True)
    answer = bytearray()
    ended = False
    while not (ended or answer.endswith(b"\n")):
        piece, ended = source.read(source.piece_bytes if answer else FIRST_TEXT_PIECE)
        answer += piece
        if len(answer) > LONGEST_TEXT:
            raise ReplyError(f"the answer is longer than {LONGEST_TEXT} bytes", reply=bytes(answer[:80]))
    return bytes(answer)


def read_block(source: Source, wait_s: float, limit_bytes: int, newline: bool) -> NDArray[np.uint8]:
    """One definite block (IEEE 488.2 8.7.9) and what must follow it; shape (bytes,).

    Read by its length in large pieces into one array, never past it. Raises ReplyError for anything that
    is not such a block, is longer than `limit_bytes`, or does not end where its header says; TimedOut
    when `wait_s` pass in silence or the whole takes longer than at the slowest rate of the source.
    """
    source.stop_at_newline(False)
    source.set_timeout(wait_s)
    length, begun, ended = _header(source, limit_bytes)
    if length > limit_bytes:
        raise ReplyError(
            f"the block says it has {length} bytes, at most {limit_bytes} were expected",
            expected=f"at most {limit_bytes} bytes",
        )
    data = np.empty(length, dtype=np.uint8)
    deadline = time.monotonic() + wait_s + length / source.slowest_bytes_per_s
    inside = min(len(begun), length)
    memoryview(data)[:inside] = begun[:inside]  # type: ignore[arg-type]
    if ended and inside < length:
        raise ReplyError(f"the block ends after {inside} of {length} bytes", expected=WHOLE)
    trailer = begun[inside:] if ended else _fill(source, data, inside, deadline)
    if newline and not source.marks_end:
        trailer = _newline_after(source, length)
    if trailer not in (b"", b"\n", b"\r\n"):
        raise ReplyError(
            f"more bytes follow a block of {length} bytes",
            reply=bytes(trailer),
            expected="a newline after the block",
        )
    return data


def _header(source: Source, limit_bytes: int) -> tuple[int, bytes, bool]:
    """The length that a block says it has, what came after that already, and whether the message is over.

    Where its end is certain to be seen, digits are read along that are likely to be there: one read less.
    """
    sure = source.marks_end and source.direct is not None
    head, ended = source.read(2 + len(str(limit_bytes)) if sure else 2)
    digits = scpi.block_digits(bytes(head[:2])) if len(head) > 1 else 0
    missing = 2 + digits - len(head)
    if len(head) < 2 or (missing > 0 and ended and sure):
        raise ReplyError(IN_HEADER, reply=bytes(head), expected=f"{max(missing, 1)} more bytes")
    if missing > 0:
        head, ended = bytes(head) + _exactly(source, missing), False
    return scpi.block_length(bytes(head[2 : 2 + digits])), bytes(head[2 + digits :]), ended and sure


def _exactly(source: Source, count: int) -> bytes:
    piece, _ = source.read(count)
    if len(piece) < count:
        raise ReplyError(IN_HEADER, reply=bytes(piece), expected=f"{count} bytes")
    return bytes(piece)


def _fill(source: Source, data: NDArray[np.uint8], got: int, deadline: float) -> bytes:
    """Read until `data`, which holds `got` bytes already, is full, and on to the end of the message where the
    transport marks it; what was after it.

    There the last read asks for a little more than the data: only an answer that is shorter than asked
    for shows its end on every transport.
    """
    view = memoryview(data)  # type: ignore[arg-type]
    spare = SPARE_BYTES if source.marks_end else 0
    while True:
        left = len(view) - got
        if left + spare == 0:
            return b""
        if source.direct is not None and left > LEFT_TO_READ:
            came = _directly(source, view[got : len(view) - LEFT_TO_READ], got, len(view), deadline)
            got += came
            if came:
                continue
        wanted = left + spare if left <= source.piece_bytes else source.piece_bytes
        piece = _piece(source, wanted, got, len(view), deadline)
        view[got : got + min(len(piece), left)] = piece[:left]
        got += min(len(piece), left)
        if len(piece) < min(wanted, left):
            raise ReplyError(
                f"the block ends after {got} of {len(view)} bytes",
                expected=WHOLE,
            )
        if spare and wanted > left:
            return bytes(piece[left:])


def _directly(source: Source, view: memoryview, got: int, of: int, deadline: float) -> int:
    assert source.direct is not None
    _keep_deadline(source, got, of, deadline)
    try:
        return source.direct(view, source.timeout_s)
    except TimeoutError as error:
        raise TimedOut(f"the block stopped coming after {got} or more of {of} bytes") from error


def _piece(source: Source, wanted: int, got: int, of: int, deadline: float) -> bytes:
    _keep_deadline(source, got, of, deadline)
    try:
        return source.read(wanted)[0]
    except TimedOut as error:
        raise TimedOut(f"the block stopped coming after {got} or more of {of} bytes") from error


def _keep_deadline(source: Source, got: int, of: int, deadline: float) -> None:
    left_s = deadline - time.monotonic()
    if left_s <= 0:
        raise TimedOut(f"only {got} of {of} bytes of the block came in time")
    if left_s < source.timeout_s:
        source.set_timeout(left_s)


def _newline_after(source: Source, length: int) -> bytes:
    source.set_timeout(TRAILER_TIMEOUT_S)
    try:
        trailer = bytes(source.read(1)[0])
        return trailer + bytes(source.read(1)[0]) if trailer == b"\r" else trailer
    except TimedOut as error:
        raise ReplyError(
            f"no newline within {TRAILER_TIMEOUT_S:g} s after a block of {length} bytes",
            expected="a newline after the block",
        ) from error
