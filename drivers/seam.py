"""The seam: what a scope needs of a connection to its instrument, and what differs between transports."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class Link(Protocol):
    """What the scope needs of a connection. All errors are those of drivers/errors.py."""

    address: str
    lock: threading.RLock  # to be held over several messages that belong together

    def write(self, *messages: str) -> None:
        """Send messages that have no answer."""

    def query(self, message: str, *, before: Sequence[str] = (), timeout_s: float | None = None) -> str:
        """Send `before`, then `message`; its answer without the newline, as latin-1 text."""

    def query_block(
        self, message: str, *, limit_bytes: int, before: Sequence[str] = (),
        timeout_s: float | None = None, newline: bool = True,
    ) -> NDArray[np.uint8]:  # fmt: skip
        """Send, then read one definite block of at most `limit_bytes`; shape (bytes,).

        `newline`: one must follow the block where the transport does not mark the end by itself.
        """

    def reopen(self, patience_s: float | None = None) -> None:
        """Close and open again until it works or `patience_s` (usually the time-out) have passed."""

    def distrust(self) -> None:
        """What comes next may be out of step: the next call opens a new session."""

    def close(self) -> None:
        """End the session. Never raises."""


@dataclass(frozen=True)
class Transport:
    """What differs between the ways to an instrument."""

    piece_bytes: int
    marks_end: bool
    """The transport says where a message ends; else only a newline does."""
    joins_messages: bool
    """Several messages go out in one write: separate small writes wait 40 ms for each other there (Nagle)."""


def transport_of(address: str) -> Transport:
    upper = address.upper()
    return next((transport for fragment, transport in TRANSPORTS if fragment in upper), OTHER)


SERIAL = Transport(piece_bytes=4 << 10, marks_end=False, joins_messages=True)
TRANSPORTS = (
    ("ASRL", SERIAL),
    ("::SOCKET", Transport(piece_bytes=64 << 10, marks_end=False, joins_messages=True)),
    ("::HISLIP", Transport(piece_bytes=512 << 10, marks_end=True, joins_messages=False)),
)
OTHER = Transport(piece_bytes=256 << 10, marks_end=True, joins_messages=False)
