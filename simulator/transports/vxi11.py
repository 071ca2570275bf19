"""VXI-11 server (TCP/IP Instrument Protocol, 1995): the core and the abort channel on two ports of their own.

What the protocol says and we keep to:
  - a program message may come in several device_writes, the last one with the END flag;
  - device_read waits for as much of the response as was asked for, the character or the end, and says why it
    stopped: REQCNT, CHR, END. When none of them has come after io_timeout it is error 15;
  - a query that was never asked is -420, a response that was not read before the next message is -410;
  - calls on a link that somebody else has locked fail with 11, at once or (wait-lock) after lock_timeout;
  - device_abort, on the other channel, ends what the link is waiting for with error 23.
Not here: interrupt channel and docmd (error 8).
"""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
from collections.abc import Callable, Iterator, Mapping

from simulator.scope.instrument import Scope
from simulator.transports import rpc
from simulator.transports.locks import ERROR, EXCLUSIVE, Locks
from simulator.transports.rpc import Reader, integers, opaque
from simulator.transports.server import hang_up, is_gone
from simulator.transports.vxi11_link import Link, Refused

CORE_PROGRAM, ABORT_PROGRAM, VERSION = 0x0607AF, 0x0607B0, 1
WAIT_LOCK, END, TERM_CHARACTER_SET = 1, 8, 128
DEVICE_NAMES = (b"inst0", b"")
LARGEST_WRITE = 1 << 20
FIRST_LINK = 0x10001
MOST_LINKS = 256

NO_ERROR, NOT_ACCESSIBLE, INVALID_LINK, PARAMETER, NOT_SUPPORTED = 0, 3, 4, 5, 8
OUT_OF_RESOURCES, LOCKED, NO_LOCK, ABORTED = 9, 11, 12, 23


class Vxi11Server:
    """All links of one instrument. `abort_port` is set by whoever opens the abort channel's port."""

    def __init__(self, scope: Scope, locks: Locks) -> None:
        self.scope = scope
        self.locks = locks
        self.abort_port = 0
        self._links: dict[int, Link] = {}
        self._numbers = itertools.count(FIRST_LINK)
        self._guard = threading.Lock()

    def serve_core(self, connection: socket.socket) -> None:
        """One controller's connection, on which it may have several links; they end with it."""
        core = _Core(self, connection)
        try:
            rpc.serve(connection, CORE_PROGRAM, VERSION, core.procedures)
        finally:
            core.end()

    def serve_abort(self, connection: socket.socket) -> None:
        rpc.serve(connection, ABORT_PROGRAM, VERSION, {1: self._abort})

    def new_link(self, connection: socket.socket) -> int | None:
        """The number of a new link; None when there are too many."""
        with self._guard:
            if len(self._links) >= MOST_LINKS:
                return None
            number = next(self._numbers)
            self._links[number] = Link(
                number, self.scope, lambda: not is_gone(connection), lambda: hang_up(connection)
            )
            return number

    def link(self, number: int) -> Link:
        with self._guard:
            link = self._links.get(number)
        if link is None:
            raise Refused(INVALID_LINK)
        return link

    def end_link(self, number: int) -> None:
        with self._guard:
            link = self._links.pop(number, None)
        self.locks.forget(number)
        if link is not None:
            link.end()

    def _abort(self, arguments: Reader) -> bytes:
        try:
            self.link(arguments.signed()).abort()
        except Refused as refused:
            return integers(refused.code)
        return integers(NO_ERROR)


class _Core:
    """The procedures of the core channel for one connection."""

    def __init__(self, server: Vxi11Server, connection: socket.socket) -> None:
        self._server = server
        self._connection = connection
        self._own: set[int] = set()
        self.procedures: Mapping[int, rpc.Procedure] = {
            10: self._create_link,
            11: self._write,
            12: self._read,
            13: self._status_byte,
            14: self._generic(lambda link, wait_s: link.group_trigger(wait_s)),
            15: self._generic(lambda link, _wait_s: link.clear()),
            16: self._generic(lambda _link, _wait_s: None),
            17: self._generic(lambda _link, _wait_s: None),
            18: self._lock,
            19: self._unlock,
            20: lambda _arguments: integers(NOT_SUPPORTED),
            22: lambda _arguments: integers(NOT_SUPPORTED) + opaque(b""),
            23: self._destroy_link,
            25: lambda _arguments: integers(NOT_SUPPORTED),
            26: lambda _arguments: integers(NOT_SUPPORTED),
        }

    def end(self) -> None:
        for number in self._own:
            self._server.end_link(number)

    def _create_link(self, arguments: Reader) -> bytes:
        """Client's number, whether to lock, lock time-out in ms, device name."""
        arguments.signed()
        wants_lock, timeout_s = arguments.boolean(), arguments.unsigned() / 1000
        if arguments.opaque().lower() not in DEVICE_NAMES:
            return integers(NOT_ACCESSIBLE, 0, 0, 0)
        number = self._server.new_link(self._connection)
        if number is None:
            return integers(OUT_OF_RESOURCES, 0, 0, 0)
        if wants_lock and self._server.locks.request(number, "", timeout_s, self._is_there) != EXCLUSIVE:
            self._server.end_link(number)
            return integers(LOCKED, 0, 0, 0)
        self._own.add(number)
        return integers(NO_ERROR, number, self._server.abort_port, LARGEST_WRITE)

    def _destroy_link(self, arguments: Reader) -> bytes:
        number = arguments.signed()
        if number not in self._own:
            return integers(INVALID_LINK)
        self._own.discard(number)
        self._server.end_link(number)
        return integers(NO_ERROR)

    def _write(self, arguments: Reader) -> bytes:
        """Link, io and lock time-out in ms, flags, data."""
        number, io_s, lock_s = arguments.signed(), arguments.unsigned() / 1000, arguments.unsigned() / 1000
        flags, data = arguments.signed(), arguments.opaque()
        if len(data) > LARGEST_WRITE:
            return integers(PARAMETER, 0)
        try:
            with self._link(number, flags, lock_s) as link:
                link.write(data, ends=bool(flags & END), wait_s=io_s)
        except Refused as refused:
            return integers(refused.code, 0)
        return integers(NO_ERROR, len(data))

    def _read(self, arguments: Reader) -> bytes:
        """Link, wanted size, io and lock time-out in ms, flags, termination character."""
        number, size = arguments.signed(), arguments.unsigned()
        io_s, lock_s = arguments.unsigned() / 1000, arguments.unsigned() / 1000
        flags, character = arguments.signed(), arguments.signed() & 0xFF
        stop = bytes([character]) if flags & TERM_CHARACTER_SET else None
        try:
            with self._link(number, flags, lock_s) as link:
                data, reason = link.read(size, stop, io_s)
        except Refused as refused:
            return integers(refused.code, 0) + opaque(b"")
        return integers(NO_ERROR, reason) + opaque(data)

    def _status_byte(self, arguments: Reader) -> bytes:
        byte = 0

        def ask(link: Link, _wait_s: float) -> None:
            nonlocal byte
            byte = link.conversation.status_byte()

        return self._generic(ask)(arguments) + integers(byte)

    def _generic(self, action: Callable[[Link, float], None]) -> rpc.Procedure:
        """A procedure with the usual arguments: link, flags, lock and io time-out in ms."""

        def procedure(arguments: Reader) -> bytes:
            number, flags = arguments.signed(), arguments.signed()
            lock_s, io_s = arguments.unsigned() / 1000, arguments.unsigned() / 1000
            try:
                with self._link(number, flags, lock_s) as link:
                    action(link, io_s)
            except Refused as refused:
                return integers(refused.code)
            return integers(NO_ERROR)

        return procedure

    def _lock(self, arguments: Reader) -> bytes:
        """Link, flags, lock time-out in ms. A link that has the lock already gets 11, too (our choice)."""
        number, flags, timeout_s = arguments.signed(), arguments.signed(), arguments.unsigned() / 1000
        try:
            link = self._server.link(number)
        except Refused as refused:
            return integers(refused.code)
        wait_s = timeout_s if flags & WAIT_LOCK else 0.0
        with link.abortable() as wanted:
            answer = self._server.locks.request(number, "", wait_s, wanted)
            code = NO_ERROR if answer == EXCLUSIVE else LOCKED
            return integers(code if wanted() or code == NO_ERROR else ABORTED)

    def _unlock(self, arguments: Reader) -> bytes:
        number = arguments.signed()
        if number not in self._own:
            return integers(INVALID_LINK)
        return integers(NO_LOCK if self._server.locks.release(number) == ERROR else NO_ERROR)

    @contextlib.contextmanager
    def _link(self, number: int, flags: int, lock_s: float) -> Iterator[Link]:
        """The link, once nobody else's lock keeps it out; Refused otherwise."""
        link = self._server.link(number)
        wait_s = lock_s if flags & WAIT_LOCK else 0.0
        with link.abortable() as wanted:
            if not self._server.locks.wait_for_access(number, wanted, wait_s):
                raise Refused(LOCKED if wanted() else ABORTED)
            yield link

    def _is_there(self) -> bool:
        return not is_gone(self._connection)
