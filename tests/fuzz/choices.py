"""Decisions taken from the bytes of a fuzzer: the same bytes always give the same input of a target."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Choices:
    """Takes numbers off the front of the bytes; zeros once they are used up."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def number(self, below: int) -> int:
        """0 <= number < below, below up to 65536."""
        width = 1 if below <= 256 else 2
        taken = self.data[self.at : self.at + width]
        self.at += width
        return int.from_bytes(taken, "little") % below

    def one(self, things: Sequence[T]) -> T:
        return things[self.number(len(things))]

    def some(self, count: int) -> bytes:
        """Up to that many bytes."""
        taken = self.data[self.at : self.at + count]
        self.at += count
        return taken

    def rest(self) -> bytes:
        return self.some(len(self.data))

    @property
    def left(self) -> int:
        return max(len(self.data) - self.at, 0)
