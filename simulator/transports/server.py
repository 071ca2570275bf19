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
import time
from collections.abc import Callable

Serve = Callable[[socket.socket], None]
BACKLOG = 128
TURN_S = 5.0
"""Longest wait for the acceptor's thread to take the listener down or up."""


class Server:
    """Accepts connections and serves each in a thread of its own."""

    def __init__(
        self, host: str, serve: Serve, name: str, is_mute: Callable[[], bool] = lambda: False
    ) -> None:
        """`is_mute` is asked at each connection: True, and nothing is ever said on it."""
        self._serve = serve
        self._name = name
        self._is_mute = is_mute
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        self._closing = False
        self._deaf_until = 0.0
        self._listening = True
        self._listener = socket.create_server((host, 0), backlog=BACKLOG)
        self._address: tuple[str, int] = self._listener.getsockname()
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, name=f"{name}-accept", daemon=True)
        self._acceptor.start()

    @property
    def port(self) -> int:
        return self._address[1]

    def refuse(self, seconds: float) -> None:
        """Ends all connections and refuses new ones for so long (of real time); 0 ends that.

        On return new connections are refused, or taken again: nobody has to wait for it. One caller at a
        time.
        """
        self._stop_listening(until=time.monotonic() + seconds)
        limit_s = min(seconds, TURN_S) if seconds > 0 else TURN_S
        with self._lock:
            self._changed.wait_for(lambda: self._closing or self._listening == (seconds <= 0), limit_s)

    def close(self) -> None:
        """Ends all connections and waits for their threads."""
        self._stop_listening(closing=True)
        self._acceptor.join(5)
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    def _stop_listening(self, *, until: float = 0.0, closing: bool = False) -> None:
        with self._lock:
            self._deaf_until, self._closing = until, self._closing or closing
            connections = list(self._open) if closing or until > time.monotonic() else []
            self._changed.notify_all()
            # a deaf listener is let be: connections that it takes later would inherit the shutdown
            listener = self._listener if self._listening else None
        if listener and (connections or closing or until > time.monotonic()):
            hang_up(listener)
        for connection in connections:
            hang_up(connection)

    def _listen_again(self) -> bool:
        """The listener was shut down: keep its port, which refuses until it listens; False at the end."""
        self._listener.close()
        deaf = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        deaf.bind(self._address)
        with self._lock:
            self._listener, self._listening = deaf, False
            self._changed.notify_all()
            while not self._closing and (left := self._deaf_until - time.monotonic()) > 0:
                self._changed.wait(min(left, threading.TIMEOUT_MAX))
            if not self._closing:
                deaf.listen(BACKLOG)
                self._listening = True
                self._changed.notify_all()
            return not self._closing

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                if self._closing or not self._listen_again():
                    return
                continue
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
            if self._is_mute():
                swallow(connection)
            else:
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


def swallow(connection: socket.socket) -> None:
    """Takes everything and says nothing, until the peer closes."""
    while connection.recv(65536):
        pass


def is_gone(connection: socket.socket) -> bool:
    """Whether the peer has closed; does not take bytes away."""
    try:
        readable, _, _ = select.select([connection], [], [], 0)
        return bool(readable) and connection.recv(1, socket.MSG_PEEK) == b""
    except (OSError, ValueError):
        return True
