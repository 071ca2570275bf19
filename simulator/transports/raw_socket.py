"""SCPI on a plain TCP socket: one message per line, NL both ways; no status byte, no device clear."""

from __future__ import annotations

import socket
import time

from simulator.scope.instrument import Conversation, Scope
from simulator.scope.syntax import message_end
from simulator.transports.delivery import deliver
from simulator.transports.server import is_gone

RECEIVE_BYTES = 65536
LONGEST_MESSAGE = 1 << 20


def serve(connection: socket.socket, scope: Scope) -> None:
    """Serves one controller until it closes."""
    conversation = Conversation(scope, still_wanted=lambda: not is_gone(connection))
    buffer = bytearray()
    while received := connection.recv(RECEIVE_BYTES):
        buffer += received
        while (end := message_end(buffer)) >= 0:
            message = bytes(buffer[:end])
            del buffer[: end + 1]
            response = conversation.execute(message)
            if response and not send(connection, response, scope):
                return
        if len(buffer) > LONGEST_MESSAGE:
            conversation.report(-363, f"more than {LONGEST_MESSAGE} bytes without NL")
            buffer.clear()


def send(connection: socket.socket, response: bytes, scope: Scope) -> bool:
    """Sends a response message; False when the instrument died over it."""
    delivery = deliver(response, scope.switches)
    for pause_s, part in delivery.parts:
        time.sleep(pause_s)
        connection.sendall(part)
    return not delivery.drops
