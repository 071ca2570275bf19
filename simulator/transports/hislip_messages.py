"""HiSLIP messages as bytes (IVI-6.1): a 16-byte header in network order, then the payload."""

from __future__ import annotations

import socket
import struct
from dataclasses import dataclass

HEADER = struct.Struct("!2sBBIQ")
"""Prologue `HS`, message type, control code, message parameter, payload length."""

INITIALIZE, INITIALIZE_RESPONSE, FATAL_ERROR, ERROR = 0, 1, 2, 3
ASYNC_LOCK, ASYNC_LOCK_RESPONSE, DATA, DATA_END = 4, 5, 6, 7
DEVICE_CLEAR_COMPLETE, DEVICE_CLEAR_ACKNOWLEDGE = 8, 9
ASYNC_REMOTE_LOCAL_CONTROL, ASYNC_REMOTE_LOCAL_RESPONSE = 10, 11
TRIGGER, INTERRUPTED, ASYNC_INTERRUPTED = 12, 13, 14
ASYNC_MAXIMUM_MESSAGE_SIZE, ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_DEVICE_CLEAR, ASYNC_SERVICE_REQUEST = 19, 20
ASYNC_STATUS_QUERY, ASYNC_STATUS_RESPONSE = 21, 22
ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, ASYNC_LOCK_INFO, ASYNC_LOCK_INFO_RESPONSE = 23, 24, 25

FATAL_POOR_HEADER, FATAL_NOT_BOTH_CHANNELS, FATAL_BAD_INITIALIZATION, FATAL_TOO_MANY = 1, 2, 3, 4
ERROR_TYPE, ERROR_CONTROL, ERROR_VENDOR, ERROR_TOO_LARGE = 1, 2, 3, 4
DELIVERED = 1
"""Bit 0 of the control code: the client has read the response before (RMT)."""
FIRST_ID, ANY_ID = 0xFFFFFF00, 0xFFFFFFFF
LARGEST_PAYLOAD = 1 << 20
"""What we take in one message."""


class Malformed(OSError):
    """Not a HiSLIP header: the connection cannot go on."""


class TooLarge(Exception):
    """A payload above LARGEST_PAYLOAD; it has been read and dropped."""


@dataclass(frozen=True)
class Message:
    """One message."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""

    def pack(self) -> bytes:
        return HEADER.pack(b"HS", self.kind, self.control, self.parameter, len(self.payload)) + self.payload


def receive(connection: socket.socket) -> Message | None:
    """The next message, None when the peer closed between two; raises Malformed or TooLarge."""
    first = connection.recv(1)
    if not first:
        return None
    prologue, kind, control, parameter, length = HEADER.unpack(first + _exactly(connection, HEADER.size - 1))
    if prologue != b"HS":
        raise Malformed("message does not begin with HS")
    if length > LARGEST_PAYLOAD:
        left = length
        while left:
            left -= len(_exactly(connection, min(left, LARGEST_PAYLOAD)))
        raise TooLarge
    return Message(kind, control, parameter, _exactly(connection, length))


def _exactly(connection: socket.socket, count: int) -> bytes:
    parts = bytearray()
    while len(parts) < count:
        part = connection.recv(min(count - len(parts), 1 << 18))
        if not part:
            raise ConnectionError("closed inside a message")
        parts += part
    return bytes(parts)
