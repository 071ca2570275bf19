"""Plain clients for the simulator's ports: sockets and bytes, no library of anybody's."""

from __future__ import annotations

import re
import socket
import struct
from types import TracebackType

HEADER = struct.Struct("!2sBBIQ")


def port_of(address: str) -> int:
    """The TCP port in a resource string or URL."""
    found = re.search(r"(?:::hislip0,|::127\.0\.0\.1::|127\.0\.0\.1:)(\d+)", address)
    assert found, address
    return int(found.group(1))


class Raw:
    """SCPI on a plain socket."""

    def __init__(self, address: str) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port_of(address)), timeout=10)
        self._rest = b""

    def __enter__(self) -> Raw:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        self.socket.close()

    def write(self, message: str) -> None:
        self.socket.sendall(message.encode("latin-1") + b"\n")

    def read_line(self) -> bytes:
        while b"\n" not in self._rest:
            part = self.socket.recv(65536)
            if not part:
                raise ConnectionError("closed")
            self._rest += part
        line, _, self._rest = self._rest.partition(b"\n")
        return line

    def read_exactly(self, count: int) -> bytes:
        while len(self._rest) < count:
            part = self.socket.recv(65536)
            if not part:
                raise ConnectionError(f"closed after {len(self._rest)} of {count}")
            self._rest += part
        data, self._rest = self._rest[:count], self._rest[count:]
        return data

    def ask(self, message: str) -> str:
        self.write(message)
        return self.read_line().decode("latin-1")

    def block(self, message: str) -> bytes:
        """A definite block and its NL."""
        self.write(message)
        assert self.read_exactly(1) == b"#"
        digits = int(self.read_exactly(1))
        data = self.read_exactly(int(self.read_exactly(digits)))
        assert self.read_exactly(1) == b"\n"
        return data


Received = tuple[int, int, int, bytes]
"""Type, control code, parameter, payload."""


class Hislip:
    """One HiSLIP session, message by message."""

    def __init__(self, address: str) -> None:
        where = ("127.0.0.1", port_of(address))
        self.sync = socket.create_connection(where, timeout=10)
        self.sync.sendall(
            bytes.fromhex("48 53 00 00 01 00 58 58 00 00 00 00 00 00 00 07 68 69 73 6C 69 70 30")
        )
        self.initialize_response = self.receive(self.sync)
        self.session = self.initialize_response[2] & 0xFFFF
        self.asynchronous = socket.create_connection(where, timeout=10)
        self.send(self.asynchronous, 17, 0, self.session)
        self.initialize_async_response = self.receive(self.asynchronous)
        self.number = 0xFFFFFF00

    def __enter__(self) -> Hislip:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        self.asynchronous.close()
        self.sync.close()

    def send(
        self, channel: socket.socket, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b""
    ) -> None:
        channel.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    def receive(self, channel: socket.socket) -> Received:
        prologue, kind, control, parameter, length = HEADER.unpack(self._exactly(channel, 16))
        assert prologue == b"HS"
        return kind, control, parameter, self._exactly(channel, length)

    def write(self, message: str, *, delivered: bool = True) -> int:
        """A program message; its number."""
        number = self.number
        self.send(self.sync, 7, int(delivered), number, message.encode("latin-1") + b"\n")
        self.number = (number + 2) & 0xFFFFFFFF
        return number

    def read(self) -> bytes:
        """A response message, of however many parts."""
        whole = b""
        while True:
            kind, _, _, payload = self.receive(self.sync)
            assert kind in (6, 7), kind
            whole += payload
            if kind == 7:
                return whole

    def ask(self, message: str) -> str:
        self.write(message)
        return self.read().decode("latin-1").rstrip("\n")

    def call(self, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> Received:
        """One exchange on the asynchronous channel."""
        self.send(self.asynchronous, kind, control, parameter, payload)
        return self.receive(self.asynchronous)

    def _exactly(self, channel: socket.socket, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = channel.recv(count - len(data))
            if not part:
                raise ConnectionError("closed")
            data += part
        return data
