"""A relay on loopback that keeps every byte which passes through it, in order and with its direction."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Piece:
    """Bytes of one direction that came in one go; `connection` counts from 0."""

    connection: int
    from_client: bool
    data: bytes


@dataclass
class Relay:
    """Stands between a client and `target`; `pieces` is what went through."""

    target: int
    answers_after_s: float = 0.0
    """How long each piece of an answer is held back."""
    pieces: list[Piece] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _sockets: list[socket.socket] = field(default_factory=list)
    _threads: list[threading.Thread] = field(default_factory=list)
    _connections: int = 0

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._start(self._accept)

    def turns(self) -> int:
        """How often the client began to speak after the instrument had: round trips."""
        with self._lock:
            speakers = [piece.from_client for piece in self.pieces]
        return sum(now and not before for before, now in zip([False, *speakers], speakers, strict=False))

    def sent(self) -> bytes:
        """Everything that clients said."""
        with self._lock:
            return b"".join(piece.data for piece in self.pieces if piece.from_client)

    def forget(self) -> None:
        with self._lock:
            self.pieces.clear()

    def close(self) -> None:
        _end(self._listener)
        with self._lock:
            sockets = list(self._sockets)
        for one in sockets:
            _end(one)
        for thread in list(self._threads):
            thread.join(10)
        for one in (self._listener, *sockets):
            one.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # the listener was ended: so does this
            while True:
                client, _ = self._listener.accept()
                server = socket.create_connection(("127.0.0.1", self.target))
                for one in (client, server):
                    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                with self._lock:
                    self._sockets += [client, server]
                    number, self._connections = self._connections, self._connections + 1
                self._start(lambda c=client, s=server, n=number: self._pass_on(c, s, n, True))
                self._start(lambda c=client, s=server, n=number: self._pass_on(s, c, n, False))

    def _pass_on(self, source: socket.socket, sink: socket.socket, number: int, from_client: bool) -> None:
        with contextlib.suppress(OSError):  # either side left
            while data := source.recv(1 << 16):
                with (
                    self._lock
                ):  # kept before it is passed on, so that an answer never stands before its question
                    self.pieces.append(Piece(number, from_client, data))
                if not from_client and self.answers_after_s:
                    time.sleep(self.answers_after_s)
                sink.sendall(data)
        _end(sink)

    def _start(self, work: object) -> None:
        thread = threading.Thread(target=work, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()


@contextlib.contextmanager
def relayed(target: int, answers_after_s: float = 0.0) -> Iterator[Relay]:
    """A relay to that port of this host for a `with` block."""
    relay = Relay(target, answers_after_s)
    try:
        yield relay
    finally:
        relay.close()


def _end(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
