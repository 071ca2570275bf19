"""A tape of a conversation: every message that went to an instrument and what came back, with the time it
took. It sits between the scope and its link, so nothing is said that is not on it."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.errors import DriverError
from drivers.seam import Link

SHOWN_BYTES = 24


@dataclass(frozen=True)
class Exchange:
    """One turn: messages without an answer, and perhaps a question."""

    sent: tuple[str, ...]
    answer: str | None
    """As text; of a block its length and its first bytes in hexadecimal. None: none was asked for, or none
    came."""
    seconds: float
    error: str = ""
    """What went wrong, in our words."""
    bytes_read: int = 0


@dataclass
class Tape:
    """What was said, oldest first."""

    exchanges: list[Exchange] = field(default_factory=list)
    clock: Callable[[], float] = time.perf_counter

    def since(self, mark: int) -> tuple[Exchange, ...]:
        """From the `mark`-th exchange on."""
        return tuple(self.exchanges[mark:])

    def __len__(self) -> int:
        return len(self.exchanges)


@dataclass
class _Turn:
    """One exchange while it happens."""

    answer: str | None = None
    bytes_read: int = 0


class TapedLink:
    """A `Link` that writes down what goes through it. Errors pass as they came."""

    def __init__(self, link: Link, tape: Tape) -> None:
        self._link = link
        self._tape = tape
        self.address = link.address
        self.lock = link.lock

    def write(self, *messages: str) -> None:
        with self._turn(messages):
            self._link.write(*messages)

    def query(self, message: str, *, before: Sequence[str] = (), timeout_s: float | None = None) -> str:
        with self._turn((*before, message)) as turn:
            reply = self._link.query(message, before=before, timeout_s=timeout_s)
            turn.answer, turn.bytes_read = reply, len(reply)
        return reply

    def query_block(
        self,
        message: str,
        *,
        limit_bytes: int,
        before: Sequence[str] = (),
        timeout_s: float | None = None,
        newline: bool = True,
    ) -> NDArray[np.uint8]:
        with self._turn((*before, message)) as turn:
            data = self._link.query_block(
                message, limit_bytes=limit_bytes, before=before, timeout_s=timeout_s, newline=newline
            )
            turn.answer, turn.bytes_read = _block_words(data), len(data)
        return data

    def reopen(self, patience_s: float | None = None) -> None:
        self._link.reopen(patience_s)

    def distrust(self) -> None:
        self._link.distrust()

    def close(self) -> None:
        self._link.close()

    @contextlib.contextmanager
    def _turn(self, sent: Sequence[str]) -> Iterator[_Turn]:
        turn, start, error = _Turn(), self._tape.clock(), ""
        try:
            yield turn
        except DriverError as caught:
            error = str(caught)
            raise
        finally:
            seconds = self._tape.clock() - start
            self._tape.exchanges.append(Exchange(tuple(sent), turn.answer, seconds, error, turn.bytes_read))


def taped(link: Link, tape: Tape | None) -> Link:
    """The link itself, or one that writes to the tape."""
    return link if tape is None else TapedLink(link, tape)


def _block_words(data: NDArray[np.uint8]) -> str:
    head = data[:SHOWN_BYTES].tobytes().hex(" ")
    return f"a block of {len(data)} bytes: {head}{' ...' if len(data) > SHOWN_BYTES else ''}"
