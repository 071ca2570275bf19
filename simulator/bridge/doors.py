"""Where the PC gets at the serial adapter: a pty and a TCP port, both at once, any number of TCP clients.

Bytes from all of them go to the one adapter; what it hears goes to all of them. Neither a pty nor a TCP
port paces anything: the adapter does. A peer that does not read loses bytes, as at a real port whose buffer
is full.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
import tty
from collections.abc import Callable

CHUNK = 65536
SHORTEST_PAUSE_S = 1e-3
"""The porter lets others have their turn between two rounds, however much there is to do."""


class Doors:
    """Non-blocking ends towards the PC. `pump` is called under the bench's lock, `wait` without it."""

    def __init__(self, host: str) -> None:
        self._selector = selectors.DefaultSelector()
        self._listener = socket.create_server((host, 0), backlog=16)
        self._listener.setblocking(False)
        self.port: int = self._listener.getsockname()[1]
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.pty = os.ttyname(self._slave)
        self._clients: set[socket.socket] = set()
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._master, selectors.EVENT_READ)
        self._selector.register(self._wake_read, selectors.EVENT_READ)

    def wait(self, timeout_s: float) -> None:
        """Until something came in, somebody called `wake`, or the time is over."""
        self._selector.select(max(timeout_s, 0.0))

    def wake(self) -> None:
        """Ends a `wait` in another thread."""
        with contextlib.suppress(OSError):
            self._wake_write.send(b".")

    def pump(self) -> bytes:
        """Everything that has come in by now."""
        data = bytearray()
        while events := self._selector.select(0):
            for key, _ in events:
                data += self._take(key.fileobj)
        return bytes(data)

    def deliver(self, data: bytes) -> None:
        """Bytes for the PC, to every end."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)
        for client in list(self._clients):
            try:
                client.send(data)
            except BlockingIOError:
                continue  # it does not read: these bytes are lost to it
            except OSError:
                self._drop(client)

    def close(self) -> None:
        self._selector.close()
        for client in self._clients:
            client.close()
        self._listener.close()
        os.close(self._master)
        os.close(self._slave)
        self._wake_read.close()
        self._wake_write.close()

    def _take(self, source: object) -> bytes:
        if source is self._listener:
            self._accept()
        elif source is self._wake_read:
            self._wake_read.recv(CHUNK)
        elif source == self._master:
            return os.read(self._master, CHUNK)
        elif isinstance(source, socket.socket):
            return self._receive(source)
        return b""

    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return  # it left before it was let in
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._clients.add(client)
        self._selector.register(client, selectors.EVENT_READ)

    def _receive(self, client: socket.socket) -> bytes:
        try:
            data = client.recv(CHUNK)
        except OSError:
            data = b""
        if not data:
            self._drop(client)
        return data

    def _drop(self, client: socket.socket) -> None:
        self._selector.unregister(client)
        self._clients.discard(client)
        client.close()


Deliver = Callable[[], float | None]


class Porter:
    """The thread that lets bytes in and out in time; `work` says when it wants to run again, in seconds."""

    def __init__(self, doors: Doors, work: Deliver) -> None:
        self._doors = doors
        self._work = work
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="porter", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closing.set()
        self._doors.wake()
        self._thread.join(5)

    def _run(self) -> None:
        pause: float | None = None
        while not self._closing.is_set():
            self._doors.wait(1.0 if pause is None else min(max(pause, SHORTEST_PAUSE_S), 1.0))
            pause = self._work()
