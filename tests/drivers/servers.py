"""Tiny socket servers on loopback that misbehave on order, for the link's conformance suite.

A server hears lines and does what its script says for each: a script maps a line to one `Act` or to a
list of them that are used up one by one, the last of which stays. A closed server leaves no thread and no
port behind.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Act:
    """What is done on one line: bytes are sent in pieces with a pause between them, then perhaps the peer
    is left."""

    send: bytes = b""
    wait_s: float = 0.0
    """Before the first piece; ends early when the server is closed."""
    piece: int = 0
    """Bytes of a piece, 0 = all at once."""
    pause_s: float = 0.0
    """Between pieces."""
    then_close: bool = False
    then_reset: bool = False


def say(text: str) -> Act:
    """A well-behaved answer."""
    return Act(text.encode("latin-1") + b"\n")


def block(payload: bytes, *, newline: bytes = b"\n", says: int | None = None) -> bytes:
    """A definite block; `says` is the length in its header, if that shall be a lie."""
    digits = str(len(payload) if says is None else says)
    return f"#{len(digits)}{digits}".encode() + payload + newline


Script = Mapping[str, Act | Sequence[Act]]
Answer = Callable[[str], Act | None]


@dataclass
class Server:
    """A listening server. `heard` are the lines of all connections, `connections` how many there were."""

    port: int
    heard: list[str] = field(default_factory=list)
    connections: int = 0
    closing: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _used: dict[str, int] = field(default_factory=dict)

    @property
    def socket_address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def vxi11_address(self) -> str:
        return f"TCPIP::127.0.0.1,{self.port}::INSTR"

    @property
    def hislip_address(self) -> str:
        return f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"

    def pick(self, script: Script | Answer, line: str) -> Act | None:
        with self._lock:
            self.heard.append(line)
            if callable(script):
                return script(line)
            acts = script.get(line)
            if acts is None or isinstance(acts, Act):
                return acts
            place = self._used.get(line, 0)
            self._used[line] = place + 1
            return acts[min(place, len(acts) - 1)]


@contextlib.contextmanager
def line_server(script: Script | Answer, *, reads: bool = True, accepts: bool = True) -> Iterator[Server]:
    """A server of lines over plain TCP.

    Args:
        reads: False: it accepts and never reads, so that whoever writes to it gets stuck in the end.
        accepts: False: the connection is made by the kernel, and nobody ever looks at it.
    """
    with _listening() as (listener, server, threads):

        def serve(peer: socket.socket) -> None:
            if not reads:
                server.closing.wait()
                return
            buffer = b""
            while data := _receive(peer, server):
                buffer += data
                while b"\n" in buffer:
                    line, _, buffer = buffer.partition(b"\n")
                    act = server.pick(script, line.decode("latin-1"))
                    if act is not None and not _perform(act, server, peer.sendall, peer):
                        return

        if accepts:
            _accept(listener, server, threads, serve)
        yield server


@contextlib.contextmanager
def hislip_server(script: Script | Answer, *, silent: bool = False) -> Iterator[Server]:
    """The least of a HiSLIP server (IVI-6.1 message layout, standards table 3.3): enough to carry lines
    and faults.

    An answer goes out as one DataEND, or, when its act has pieces, as one message whose payload drips.
    With `then_close` the payload stops half-way and the connection ends.
    """
    with _listening() as (listener, server, threads):

        def serve(peer: socket.socket) -> None:
            if silent:
                server.closing.wait()
                return
            message_id = 0
            while header := _exactly(peer, server, 16):
                _, kind, _, parameter, length = struct.unpack("!2sBBIQ", header)
                payload = _exactly(peer, server, length) if length else b""
                if kind == 0:  # Initialize
                    peer.sendall(struct.pack("!2sBBHHQ", b"HS", 1, 0, 0x0100, 1, 0))
                elif kind == 17:  # AsyncInitialize
                    peer.sendall(struct.pack("!2sBBIQ", b"HS", 18, 0, 0, 0))
                elif kind == 15:  # AsyncMaximumMessageSize
                    peer.sendall(struct.pack("!2sBBIQ", b"HS", 16, 0, 0, 8) + payload)
                elif kind in (6, 7):  # Data, DataEND
                    message_id = parameter
                    for line in payload.decode("latin-1").splitlines():
                        act = server.pick(script, line)
                        if act is not None and not _perform_hislip(act, server, peer, message_id):
                            return

        _accept(listener, server, threads, serve)
        yield server


@contextlib.contextmanager
def vxi11_server(script: Script | Answer) -> Iterator[Server]:
    """The least of a VXI-11 core channel (standards table 3.2, Sun RPC of RFC 5531) on a port of its own.

    An answer is handed out read by read, as large as asked for, the last with END; an act with pieces
    hands out one after each pause. With `then_close` half of it is handed out, then the connection ends.
    """
    with _listening() as (listener, server, threads):

        def serve(peer: socket.socket) -> None:
            waiting: list[Act] = []
            while record := _record(peer, server):
                xid, _, _, _, _, procedure = struct.unpack("!6I", record[:24])
                arguments = record[40:]  # past two empty credentials
                if procedure == 10:  # create_link: error, link, abort port, largest write
                    result: bytes | None = struct.pack("!4I", 0, 1, 0, 1 << 20)
                elif procedure == 11:  # device_write
                    length = struct.unpack("!I", arguments[16:20])[0]
                    for line in arguments[20 : 20 + length].decode("latin-1").splitlines():
                        act = server.pick(script, line)
                        waiting = waiting if act is None else [act]
                    result = struct.pack("!2I", 0, length)
                elif procedure == 12:  # device_read
                    result = _vxi11_read(waiting, arguments, server)
                else:  # destroy_link
                    result = struct.pack("!I", 0)
                if result is None:
                    return
                reply = struct.pack("!6I", xid, 1, 0, 0, 0, 0) + result
                peer.sendall(struct.pack("!I", 0x80000000 | len(reply)) + reply)

        _accept(listener, server, threads, serve)
        yield server


def _vxi11_read(waiting: list[Act], arguments: bytes, server: Server) -> bytes | None:
    """One device_read: error, reason (1 as many as asked for, 2 the character, 4 END), data. None: hang
    up."""
    _, wanted, io_ms, _, flags, character = struct.unpack("!6I", arguments[:24])
    if not waiting or (waiting[0].wait_s and waiting[0].wait_s * 1000 > io_ms) or not waiting[0].send:
        server.closing.wait(io_ms / 1000)
        return struct.pack("!3I", 15, 0, 0)  # 15: I/O time-out
    act = waiting[0]
    if act.then_reset:
        return None
    if act.then_close:
        waiting[:] = [Act(b"x", then_reset=True)]
        return _vxi11_data(act.send[: min(wanted, len(act.send) // 2)], 0)
    server.closing.wait(act.wait_s or act.pause_s)
    size = min(wanted, act.piece or wanted)
    data = act.send[:size]
    if flags & 128 and (at := data.find(bytes([character & 0xFF]))) >= 0:
        data = data[: at + 1]
    left = act.send[len(data) :]
    waiting[:] = [Act(left, 0.0, act.piece, act.pause_s)] if left else []
    reason = (1 if len(data) == wanted else 0) | (0 if left else 4)
    reason |= 2 if flags & 128 and data.endswith(bytes([character & 0xFF])) else 0
    return _vxi11_data(data, reason)


def _vxi11_data(data: bytes, reason: int) -> bytes:
    return struct.pack("!3I", 0, reason, len(data)) + data + bytes(-len(data) % 4)


def _record(peer: socket.socket, server: Server) -> bytes:
    """One RPC record of one fragment."""
    header = _exactly(peer, server, 4)
    return _exactly(peer, server, struct.unpack("!I", header)[0] & 0x7FFFFFFF) if header else b""


def _perform_hislip(act: Act, server: Server, peer: socket.socket, message_id: int) -> bool:
    head = struct.pack("!2sBBIQ", b"HS", 7, 0, message_id, len(act.send))
    if act.then_close:
        peer.sendall(head + act.send[: len(act.send) // 2])
        return False
    if act.wait_s and server.closing.wait(act.wait_s):
        return False
    if not act.piece:
        return _together(peer, head, act.send)
    peer.sendall(head)
    return _perform(Act(act.send, 0.0, act.piece, act.pause_s), server, peer.sendall, peer)


def _together(peer: socket.socket, head: bytes, payload: bytes) -> bool:
    """A message goes out with its header, not after it; whether the connection goes on."""
    try:
        sent = peer.sendmsg([head, payload])
        peer.sendall(head[sent:])
        peer.sendall(memoryview(payload)[max(sent - len(head), 0) :])
    except OSError:  # the client has left, which it may
        return False
    return True


def _perform(act: Act, server: Server, send: Callable[[bytes], None], peer: socket.socket) -> bool:
    """Whether the connection goes on."""
    if act.wait_s and server.closing.wait(act.wait_s):
        return False
    size = act.piece or max(len(act.send), 1)
    try:
        for start in range(0, len(act.send), size):
            if start and act.pause_s and server.closing.wait(act.pause_s):
                return False
            send(act.send[start : start + size])
    except OSError:  # the client has left, which it may
        return False
    if act.then_reset:
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    return not (act.then_close or act.then_reset)


@contextlib.contextmanager
def _listening() -> Iterator[tuple[socket.socket, Server, list[threading.Thread]]]:
    listener = socket.create_server(("127.0.0.1", 0))
    server = Server(listener.getsockname()[1])
    threads: list[threading.Thread] = []
    try:
        yield listener, server, threads
    finally:
        server.closing.set()
        listener.close()
        for thread in threads:
            thread.join(5)
        assert not any(thread.is_alive() for thread in threads), "a test server did not end"


def _accept(
    listener: socket.socket,
    server: Server,
    threads: list[threading.Thread],
    serve: Callable[[socket.socket], None],
) -> None:
    listener.settimeout(0.05)

    def one(peer: socket.socket) -> None:
        with peer, contextlib.suppress(OSError):
            serve(peer)

    def loop() -> None:
        while not server.closing.is_set():
            try:
                peer, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            server.connections += 1
            peer.settimeout(10)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            thread = threading.Thread(target=one, args=(peer,), daemon=True)
            threads.append(thread)
            thread.start()

    thread = threading.Thread(target=loop, daemon=True)
    threads.append(thread)
    thread.start()


def _receive(peer: socket.socket, server: Server, count: int = 65536) -> bytes:
    """Up to `count` bytes; none when the client or the server has closed. (No select(): file 1024 and
    above.)"""
    while not server.closing.is_set():
        peer.settimeout(0.05)
        try:
            return peer.recv(count)
        except TimeoutError:
            continue
        finally:
            peer.settimeout(10)
    return b""


def _exactly(peer: socket.socket, server: Server, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = _receive(peer, server, count - len(data))
        if not piece:
            return b""
        data += piece
    return data
