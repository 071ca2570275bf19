"""ONC RPC version 2 over TCP (RFC 5531) with XDR data (RFC 4506): calls in, replies out. No portmapper.

A record is fragments, each with a 4-byte mark: the highest bit says "last one", the rest is its length.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Mapping

CALL, REPLY = 0, 1
ACCEPTED, DENIED = 0, 1
SUCCESS, PROGRAM_UNAVAILABLE, PROGRAM_MISMATCH, PROCEDURE_UNAVAILABLE, GARBAGE_ARGUMENTS = range(5)
RPC_MISMATCH = 0
RPC_VERSION = 2
LAST_FRAGMENT = 1 << 31
LONGEST_RECORD = 4 << 20


class Garbage(Exception):
    """Data that are not what the procedure takes."""


class Reader:
    """Takes XDR items from a record, one after the other; Garbage when they are not there."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def unsigned(self) -> int:
        return int.from_bytes(self._take(4), "big")

    def signed(self) -> int:
        return int.from_bytes(self._take(4), "big", signed=True)

    def boolean(self) -> bool:
        return self.unsigned() != 0

    def opaque(self) -> bytes:
        """Bytes of a stated length, filled up to a multiple of 4."""
        length = self.unsigned()
        data = self._take(length)
        self._take(-length % 4)
        return data

    def _take(self, count: int) -> bytes:
        if self._at + count > len(self._data):
            raise Garbage(f"{count} bytes wanted at {self._at} of {len(self._data)}")
        self._at += count
        return self._data[self._at - count : self._at]


def integers(*values: int) -> bytes:
    """XDR integers, negative ones allowed."""
    return b"".join(struct.pack("!I", value & 0xFFFFFFFF) for value in values)


def opaque(data: bytes) -> bytes:
    """XDR bytes of variable length."""
    return integers(len(data)) + data + bytes(-len(data) % 4)


Procedure = Callable[[Reader], bytes]
"""Gets the arguments, gives the results."""


def serve(connection: socket.socket, program: int, version: int, procedures: Mapping[int, Procedure]) -> None:
    """Answers calls of one program until the peer closes, one after the other. OSError when it breaks."""
    while (record := receive_record(connection)) is not None:
        answer = _answer(Reader(record), program, version, procedures)
        connection.sendall(integers(LAST_FRAGMENT | len(answer)) + answer)


def receive_record(connection: socket.socket) -> bytes | None:
    """The next record of whatever many fragments; None when the peer closed between two."""
    record, last = bytearray(), False
    while not last:
        head = connection.recv(4)
        if not head and not record:
            return None
        mark = int.from_bytes(head + _exactly(connection, 4 - len(head)), "big")
        last, length = bool(mark & LAST_FRAGMENT), mark & (LAST_FRAGMENT - 1)
        if len(record) + length > LONGEST_RECORD:
            raise ConnectionError(f"a record of more than {LONGEST_RECORD} bytes")
        record += _exactly(connection, length)
    return bytes(record)


def _answer(call: Reader, program: int, version: int, procedures: Mapping[int, Procedure]) -> bytes:
    number, kind, rpc_version = call.unsigned(), call.unsigned(), call.unsigned()
    if kind != CALL:
        raise ConnectionError("a reply where a call belongs")
    if rpc_version != RPC_VERSION:
        return integers(number, REPLY, DENIED, RPC_MISMATCH, RPC_VERSION, RPC_VERSION)
    head = integers(number, REPLY, ACCEPTED, 0, 0)  # verifier: none, of length 0
    asked_program, asked_version, procedure = call.unsigned(), call.unsigned(), call.unsigned()
    for _ in ("credentials", "verifier"):
        call.unsigned()
        call.opaque()
    if asked_program != program:
        return head + integers(PROGRAM_UNAVAILABLE)
    if asked_version != version:
        return head + integers(PROGRAM_MISMATCH, version, version)
    if procedure == 0:  # does nothing, in every program
        return head + integers(SUCCESS)
    if procedure not in procedures:
        return head + integers(PROCEDURE_UNAVAILABLE)
    try:
        return head + integers(SUCCESS) + procedures[procedure](call)
    except Garbage:
        return head + integers(GARBAGE_ARGUMENTS)


def _exactly(connection: socket.socket, count: int) -> bytes:
    parts = bytearray()
    while len(parts) < count:
        part = connection.recv(min(count - len(parts), 1 << 18))
        if not part:
            raise ConnectionError("closed inside a record")
        parts += part
    return bytes(parts)
