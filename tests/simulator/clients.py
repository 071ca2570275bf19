"""Plain clients for the simulator's ports: sockets and bytes, no library of anybody's."""

from __future__ import annotations

import re
import socket
import struct
from types import TracebackType

HEADER = struct.Struct("!2sBBIQ")


def port_of(address: str) -> int:
    """The TCP port in a resource string or URL."""
    found = re.search(r"(?:::hislip0,|::127\.0\.0\.1::|127\.0\.0\.1[:,])(\d+)", address)
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


class Vxi11:
    """One VXI-11 core connection with one link, call by call: RFC 5531 calls packed by hand."""

    def __init__(self, address: str, *, lock: bool = False) -> None:
        self.core = socket.create_connection(("127.0.0.1", port_of(address)), timeout=10)
        self._number = 0
        answer = self.call(10, struct.pack("!iIII", 7, lock, 0, 5) + b"inst0\0\0\0")
        self.error, self.link, self.abort_port, self.largest = struct.unpack("!iiII", answer)

    def __enter__(self) -> Vxi11:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        self.core.close()

    def call(self, procedure: int, arguments: bytes, *, program: int = 0x0607AF, version: int = 1) -> bytes:
        """The results of a call that is accepted and succeeds."""
        self.start(procedure, arguments, program=program, version=version)
        return self.result()

    def start(self, procedure: int, arguments: bytes, *, program: int = 0x0607AF, version: int = 1) -> None:
        self._number += 1
        head = struct.pack("!10I", self._number, 0, 2, program, version, procedure, 0, 0, 0, 0)
        record = head + arguments
        self.core.sendall(struct.pack("!I", 0x80000000 | len(record)) + record)

    def result(self) -> bytes:
        reply = self.reply()
        assert struct.unpack("!6I", reply[:24]) == (self._number, 1, 0, 0, 0, 0)
        return reply[24:]

    def reply(self) -> bytes:
        """A whole reply record, of one fragment."""
        mark = int.from_bytes(self._exactly(4), "big")
        assert mark & 0x80000000
        return self._exactly(mark & 0x7FFFFFFF)

    def write(self, message: bytes, *, flags: int = 8, lock_ms: int = 0) -> tuple[int, int]:
        """Error and size of one device_write."""
        head = struct.pack("!iIIiI", self.link, 2000, lock_ms, flags, len(message))
        error, size = struct.unpack("!iI", self.call(11, head + message + bytes(-len(message) % 4)))
        return error, size

    def read(
        self, size: int = 1 << 20, *, io_ms: int = 2000, flags: int = 0, stop: int = 0
    ) -> tuple[int, int, bytes]:
        """Error, reason and data of one device_read."""
        answer = self.call(12, struct.pack("!iIIIii", self.link, size, io_ms, 0, flags, stop))
        return self.unpack_read(answer)

    def unpack_read(self, answer: bytes) -> tuple[int, int, bytes]:
        error, reason, length = struct.unpack("!iiI", answer[:12])
        return error, reason, answer[12 : 12 + length]

    def ask(self, message: str) -> str:
        assert self.write(message.encode("latin-1") + b"\n")[0] == 0
        whole = b""
        while True:
            error, reason, data = self.read()
            assert error == 0
            whole += data
            if reason & 4:
                return whole.decode("latin-1").rstrip("\n")

    def generic(self, procedure: int, *, flags: int = 0, lock_ms: int = 0, io_ms: int = 2000) -> bytes:
        """A procedure with the usual four arguments."""
        return self.call(procedure, struct.pack("!iiII", self.link, flags, lock_ms, io_ms))

    def error_of(self, procedure: int, *, flags: int = 0, lock_ms: int = 0) -> int:
        return int.from_bytes(self.generic(procedure, flags=flags, lock_ms=lock_ms)[:4], "big")

    def lock(self, *, wait_ms: int | None = None) -> int:
        flags = 0 if wait_ms is None else 1
        return int.from_bytes(self.call(18, struct.pack("!iiI", self.link, flags, wait_ms or 0)), "big")

    def of_link(self, procedure: int) -> int:
        """unlock (19) or destroy_link (23)."""
        return int.from_bytes(self.call(procedure, struct.pack("!i", self.link)), "big")

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = self.core.recv(count - len(data))
            if not part:
                raise ConnectionError("closed")
            data += part
        return data
