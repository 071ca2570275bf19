"""HiSLIP server (IVI-6.1), synchronised mode: one response per message, an output queue per session.

Each client has two connections, synchronous (program messages and responses) and asynchronous (status, locks,
clear). Rules that matter:
  - a response carries the MessageID of the message that asked for it and is split to the client's largest
    size;
  - the client says with bit 0 of the control code that it has read the response before. A new message without
    that bit while a response is out: the response is lost, Interrupted and AsyncInterrupted are sent, -410;
  - device clear ends what is being carried out; messages until DeviceClearComplete are dropped.
"""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Callable
from typing import ClassVar

from simulator.scope.instrument import Conversation, Scope
from simulator.transports import hislip_messages as hs
from simulator.transports.delivery import INTERRUPTED, SERVICE_REQUEST, deliver
from simulator.transports.hislip_messages import Malformed, Message, TooLarge
from simulator.transports.locks import EXCLUSIVE, SHARED, Locks
from simulator.transports.server import hang_up, is_gone

VERSION = 0x0100
VENDOR = int.from_bytes(b"HS", "big")
SUB_ADDRESS = b"hislip0"
MOST_SESSIONS = 256
LONGEST_MESSAGE = 4 << 20


class HislipServer:
    """All sessions of one instrument."""

    def __init__(self, scope: Scope, locks: Locks) -> None:
        self.scope = scope
        self.locks = locks
        self._sessions: dict[int, Session] = {}
        self._numbers = itertools.count(1)
        self._guard = threading.Lock()

    def serve(self, connection: socket.socket) -> None:
        """Serves one connection; its first message says which of a session's two it is."""
        try:
            first = hs.receive(connection)
        except Malformed:
            _fatal(connection, hs.FATAL_POOR_HEADER)
            return
        if first is None:
            return
        if first.kind == hs.INITIALIZE:
            self._serve_sync(connection, first)
        elif first.kind == hs.ASYNC_INITIALIZE:
            self._serve_async(connection, first)
        else:
            _fatal(connection, hs.FATAL_BAD_INITIALIZATION)

    def _serve_sync(self, connection: socket.socket, first: Message) -> None:
        if first.payload.lower() not in (b"", SUB_ADDRESS):
            _fatal(connection, hs.FATAL_BAD_INITIALIZATION)
            return
        with self._guard:
            if len(self._sessions) >= MOST_SESSIONS:
                _fatal(connection, hs.FATAL_TOO_MANY)
                return
            number = (
                next(number for number in self._numbers if number & 0xFFFF not in self._sessions) & 0xFFFF
            )
            session = self._sessions[number] = Session(self, number, connection)
        version = min(VERSION, first.parameter >> 16) or VERSION
        try:
            session.send_sync(Message(hs.INITIALIZE_RESPONSE, 0, version << 16 | number))
            session.serve_sync()
        finally:
            with self._guard:
                del self._sessions[number]
            self.locks.forget(number)
            session.end()

    def _serve_async(self, connection: socket.socket, first: Message) -> None:
        with self._guard:
            session = self._sessions.get(first.parameter)
        if session is None or session.asynchronous is not None:
            _fatal(connection, hs.FATAL_BAD_INITIALIZATION)
            return
        session.asynchronous = connection
        session.send_async(Message(hs.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR))
        try:
            session.serve_async()
        finally:
            session.end()


class Session:
    """One client: its two connections and its conversation with the scope."""

    def __init__(self, server: HislipServer, number: int, synchronous: socket.socket) -> None:
        self._server = server
        self._number = number
        self._synchronous = synchronous
        self.asynchronous: socket.socket | None = None
        self._conversation = Conversation(server.scope, still_wanted=self._is_wanted)
        self._largest = hs.LARGEST_PAYLOAD
        """What the client takes in one message."""
        self._input = bytearray()
        self._clearing = False
        self._last_id = hs.ANY_ID
        self._async_sending = threading.Lock()

    def serve_sync(self) -> None:
        """Program messages until the client leaves."""
        while (message := self._next(self._synchronous, self.send_sync)) is not None:
            if self.asynchronous is None:
                _fatal(self._synchronous, hs.FATAL_NOT_BOTH_CHANNELS)
                return
            action = self._SYNC.get(message.kind)
            if action is None:
                self.send_sync(Message(hs.ERROR, hs.ERROR_TYPE))
            elif action(self, message) is False:
                return

    def serve_async(self) -> None:
        """Status, locks and clear until the client leaves."""
        assert self.asynchronous is not None
        self._server.scope.add_service_listener(self._request_service)
        try:
            while (message := self._next(self.asynchronous, self.send_async)) is not None:
                action = self._ASYNC.get(message.kind)
                if action is None:
                    self.send_async(Message(hs.ERROR, hs.ERROR_TYPE))
                else:
                    action(self, message)
        finally:
            self._server.scope.remove_service_listener(self._request_service)

    def end(self) -> None:
        """One connection ended: the other one goes too."""
        self._conversation.clear()
        hang_up(self._synchronous)
        if self.asynchronous is not None:
            hang_up(self.asynchronous)

    def send_sync(self, message: Message) -> None:
        self._synchronous.sendall(message.pack())

    def send_async(self, message: Message) -> None:
        assert self.asynchronous is not None
        with self._async_sending:
            self.asynchronous.sendall(message.pack())

    def _next(self, connection: socket.socket, send: Callable[[Message], None]) -> Message | None:
        while True:
            try:
                return hs.receive(connection)
            except TooLarge:
                send(Message(hs.ERROR, hs.ERROR_TOO_LARGE))
            except Malformed:
                _fatal(connection, hs.FATAL_POOR_HEADER)
                return None

    # --- synchronous channel ---

    def _data(self, message: Message) -> bool:
        if self._clearing:
            return True
        self._heed_delivery(message)
        self._input += message.payload
        if len(self._input) > LONGEST_MESSAGE:
            self._input.clear()
            self._conversation.report(-363, f"more than {LONGEST_MESSAGE} bytes without END")
        return True

    def _data_end(self, message: Message) -> bool:
        """The message is complete: it is carried out; False when the instrument died over its response."""
        self._data(message)
        if self._clearing or not self._server.locks.wait_for_access(self._number, self._is_wanted):
            return True
        text, self._input = bytes(self._input), bytearray()
        self._last_id = message.parameter
        response = self._conversation.execute(text)
        return self._respond(response, message.parameter) if response and not self._clearing else True

    def _trigger(self, message: Message) -> bool:
        if not self._clearing and self._server.locks.wait_for_access(self._number, self._is_wanted):
            self._heed_delivery(message)
            self._last_id = message.parameter
            self._conversation.group_trigger()
        return True

    def _clear_complete(self, _message: Message) -> bool:
        self._input.clear()
        self._clearing = False
        self._last_id = hs.ANY_ID
        self.send_sync(Message(hs.DEVICE_CLEAR_ACKNOWLEDGE))
        return True

    def _heed_delivery(self, message: Message) -> None:
        """A message that comes while a response is unread interrupts it."""
        unread = self._conversation.message_available and not message.control & hs.DELIVERED
        self._conversation.message_available = False
        if unread and not self._input:
            self._conversation.report(-410)
            self.send_sync(Message(hs.INTERRUPTED, 0, message.parameter))
            self.send_async(Message(hs.ASYNC_INTERRUPTED, 0, message.parameter))

    def _respond(self, response: bytes, number: int) -> bool:
        switches = self._server.scope.switches
        if switches.take(SERVICE_REQUEST):
            self.send_async(Message(hs.ASYNC_SERVICE_REQUEST, self._conversation.status_byte() | 64))
        if switches.take(INTERRUPTED):
            self.send_sync(Message(hs.INTERRUPTED, 0, number))
            self.send_async(Message(hs.ASYNC_INTERRUPTED, 0, number))
            return True
        delivery = deliver(response, switches)
        self._conversation.message_available = bool(delivery.parts)
        for place, (pause_s, part) in enumerate(delivery.parts, start=1):
            time.sleep(pause_s)
            self._send_part(part, number, ends=delivery.ends and place == len(delivery.parts))
        return not delivery.drops

    def _send_part(self, part: bytes, number: int, *, ends: bool) -> None:
        """As Data messages of at most the client's size, the last one DataEND if the message ends here."""
        for begin in range(0, len(part), self._largest):
            last = begin + self._largest >= len(part)
            piece = part[begin : begin + self._largest]
            self.send_sync(Message(hs.DATA_END if ends and last else hs.DATA, 0, number, piece))

    # --- asynchronous channel ---

    def _maximum_size(self, message: Message) -> None:
        if len(message.payload) == 8:
            wanted = int.from_bytes(message.payload, "big")
            self._largest = max(min(wanted, hs.LARGEST_PAYLOAD), 16)
        size = hs.LARGEST_PAYLOAD.to_bytes(8, "big")
        self.send_async(Message(hs.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0, 0, size))

    def _status(self, message: Message) -> None:
        if message.control & hs.DELIVERED:
            self._conversation.message_available = False
        self.send_async(Message(hs.ASYNC_STATUS_RESPONSE, self._conversation.status_byte()))

    def _lock(self, message: Message) -> None:
        """Control 1: request, parameter = time-out in ms, payload = key; control 0: release."""
        locks = self._server.locks
        if message.control & 1:
            key = message.payload.decode("latin-1")
            answer = locks.request(self._number, key, message.parameter / 1000, self._is_wanted)
            answer = EXCLUSIVE if answer == SHARED else answer  # 2 is for releases only (from memory)
        else:
            answer = locks.release(self._number)
        self.send_async(Message(hs.ASYNC_LOCK_RESPONSE, answer))

    def _lock_info(self, _message: Message) -> None:
        exclusive, holders = self._server.locks.info()
        self.send_async(Message(hs.ASYNC_LOCK_INFO_RESPONSE, int(exclusive), holders))

    def _remote_local(self, message: Message) -> None:
        if message.control > 6:
            self.send_async(Message(hs.ERROR, hs.ERROR_CONTROL))
        else:
            self.send_async(Message(hs.ASYNC_REMOTE_LOCAL_RESPONSE))

    def _clear(self, _message: Message) -> None:
        self._clearing = True
        self._conversation.clear()
        self.send_async(Message(hs.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE))

    def _request_service(self, byte: int) -> None:
        with contextlib.suppress(OSError):  # a client that is leaving: its own thread ends the session
            self.send_async(Message(hs.ASYNC_SERVICE_REQUEST, byte))

    def _is_wanted(self) -> bool:
        return not self._clearing and not is_gone(self._synchronous)

    _SYNC: ClassVar = {
        hs.DATA: _data,
        hs.DATA_END: _data_end,
        hs.TRIGGER: _trigger,
        hs.DEVICE_CLEAR_COMPLETE: _clear_complete,
    }
    _ASYNC: ClassVar = {
        hs.ASYNC_MAXIMUM_MESSAGE_SIZE: _maximum_size,
        hs.ASYNC_STATUS_QUERY: _status,
        hs.ASYNC_LOCK: _lock,
        hs.ASYNC_LOCK_INFO: _lock_info,
        hs.ASYNC_REMOTE_LOCAL_CONTROL: _remote_local,
        hs.ASYNC_DEVICE_CLEAR: _clear,
    }


def _fatal(connection: socket.socket, code: int) -> None:
    connection.sendall(Message(hs.FATAL_ERROR, code).pack())
