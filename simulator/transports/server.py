"""A listening TCP socket on an ephemeral port, one thread per connection, and a clean end of all of it.

The seam for transports: a transport is a function that gets a connected socket and serves it until it ends.
It makes one `Conversation` (scope/instrument.py) per controller, hands in whole program messages and sends
back what comes out. A further transport is another such function and another `Server` in bench.py; what it
needs is on the conversation: execute, status_byte, clear, group_trigger, report (-410, -420),
message_available.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Callable

Serve = Callable[[socket.socket], None]


class Server:
    """Accepts connections and serves each in a thread of its own."""

    def __init__(self, host: str, serve: Serve, name: str) -> None:
        self._serve = serve
        self._name = name
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._closing = False
        self._listener = socket.create_server((host, 0), backlog=128)
        self.port: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, name=f"{name}-accept", daemon=True)
        self._acceptor.start()

    def close(self) -> None:
        """Ends all connections and waits for their threads."""
        with self._lock:
            self._closing = True
            connections = list(self._open)
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        for connection in connections:
            hang_up(connection)
        self._acceptor.join(5)
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return  # closed
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._lock:
                if self._closing:
                    connection.close()
                    return
                self._open.add(connection)
                self._threads = [thread for thread in self._threads if thread.is_alive()]
                thread = threading.Thread(
                    target=self._run, args=(connection,), name=f"{self._name}-serve", daemon=True
                )
                self._threads.append(thread)
            thread.start()

    def _run(self, connection: socket.socket) -> None:
        try:
            self._serve(connection)
        except OSError:
            pass  # the peer went away: that ends this connection, nothing else
        finally:
            with self._lock:
                self._open.discard(connection)
            connection.close()


def hang_up(connection: socket.socket) -> None:
    """Ends a connection so that a thread that reads from it wakes up."""
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)


def is_gone(connection: socket.socket) -> bool:
    """Whether the peer has closed; does not take bytes away."""
    try:
        readable, _, _ = select.select([connection], [], [], 0)
        return bool(readable) and connection.recv(1, socket.MSG_PEEK) == b""
    except (OSError, ValueError):
        return True
