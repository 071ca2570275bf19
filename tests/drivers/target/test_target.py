"""The serial link to the board: pseudo-terminals, sockets, RFC 2217, and how each of them fails."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator

import pytest
import serial
from serial.rfc2217 import PortManager

import drivers
from drivers.errors import NotReachable, RequestError, TimedOut
from drivers.target import target as module
from drivers.target.target import LinkFrame
from tests.drivers.servers import Act, line_server, say

pty = pytest.importorskip("pty", reason="pseudo-terminals are a POSIX thing")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The far end of a pseudo-terminal and the name of the near one."""
    far, near = pty.openpty()
    try:
        yield far, os.ttyname(near)
    finally:
        for end in (far, near):
            with contextlib.suppress(OSError):
                os.close(end)


def test_bytes_go_and_come_as_they_are(terminal: tuple[int, str]) -> None:
    """All 256 values, both ways: no translation of newlines, no flow control characters, no echo."""
    far, name = terminal
    every = bytes(range(256))
    with drivers.open_target(name, 230400) as target:
        target.send(every)
        assert os.read(far, 1000) == every
        os.write(far, every)
        assert target.receive(256, 5.0) == every


def test_fewer_bytes_than_wanted_are_no_error(terminal: tuple[int, str]) -> None:
    """A board that swallows characters is what is tested here."""
    far, name = terminal
    with drivers.open_target(name, 230400) as target:
        os.write(far, b"ab")
        assert target.receive(3, 0.1) == b"ab"
        assert target.receive(1, 0.0) == b""


def test_what_nobody_asked_for_can_be_drained(terminal: tuple[int, str]) -> None:
    """Before each shot the link is empty."""
    far, name = terminal
    with drivers.open_target(name, 230400) as target:
        os.write(far, b"leftover")
        assert target.drain() == b"leftover"
        assert target.drain() == b""


def test_draining_a_board_that_never_stops_talking_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """After so many bytes it is enough."""
    monkeypatch.setattr(module, "LARGEST_DRAIN", 50_000)
    with (
        line_server({"go": Act(b"x" * 2_000_000)}) as server,
        drivers.open_target(f"socket://127.0.0.1:{server.port}", 9600) as target,
    ):
        target.send(b"go\n")
        time_limit = time.monotonic() + 20
        got = 0
        while got < 50_000:
            assert time.monotonic() < time_limit
            got += len(target.drain())
        assert got < 60_000


@pytest.mark.parametrize("frame", ["7E1", "8O1", "8E2", "7N1"])
def test_parity_on_a_pseudo_terminal_is_told_as_what_it_is(terminal: tuple[int, str], frame: str) -> None:
    """Linux refuses it with "invalid argument", which helps nobody."""
    with pytest.raises(RequestError, match="pseudo-terminal takes no parity"):
        drivers.open_target(terminal[1], 230400, frame)


@pytest.mark.parametrize("baud", [230400, 250000, 1234567])
def test_unusual_rates_can_be_set(terminal: tuple[int, str], baud: int) -> None:
    """Rates of microcontrollers are seldom those of a table."""
    drivers.open_target(terminal[1], baud).close()


@pytest.mark.parametrize("frame", ["9N1", "8X1", "8N3", "", "N81", "8N1.6"])
def test_a_frame_that_no_port_can_do_is_refused(terminal: tuple[int, str], frame: str) -> None:
    """With the form that is expected."""
    with pytest.raises(RequestError, match="5-8 data bits"):
        drivers.open_target(terminal[1], 9600, frame)


def test_frames_are_understood() -> None:
    """In the words of pyserial."""
    assert LinkFrame.parse("8n1") == LinkFrame(8, serial.PARITY_NONE, serial.STOPBITS_ONE)
    assert LinkFrame.parse("5N1.5") == LinkFrame(5, serial.PARITY_NONE, serial.STOPBITS_ONE_POINT_FIVE)
    assert LinkFrame.parse("7E2") == LinkFrame(7, serial.PARITY_EVEN, serial.STOPBITS_TWO)


@pytest.mark.parametrize("baud", [0, -1, 9600.5, True and "9600"])
def test_a_rate_must_be_a_positive_whole_number(terminal: tuple[int, str], baud: object) -> None:
    """Before anything is opened."""
    with pytest.raises(RequestError, match="baud"):
        drivers.open_target(terminal[1], baud)  # type: ignore[arg-type]


def test_a_port_that_is_held_says_so(terminal: tuple[int, str]) -> None:
    """Two runs on one board would hear each other's answers."""
    with (
        drivers.open_target(terminal[1], 9600),
        pytest.raises(NotReachable, match="another program holds it"),
    ):
        drivers.open_target(terminal[1], 9600)


def closed_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.mark.parametrize("url", ["/dev/nowhere", "socket://127.0.0.1:{port}", "rfc2217://127.0.0.1:{port}"])
def test_a_link_that_is_not_there_is_not_reachable(url: str) -> None:
    """With its address in the words and in the error."""
    address = url.format(port=closed_port())
    with pytest.raises(NotReachable, match="could not be opened") as caught:
        drivers.open_target(address, 9600)
    assert caught.value.address == address


@pytest.mark.parametrize(
    "url", ["carrier-pigeon://loft", "socket://127.0.0.1:99999", "socket://loft", "rfc2217://:7"]
)
def test_an_address_that_is_none_is_a_wrong_request(url: str) -> None:
    """The stations file must be mended."""
    with pytest.raises(RequestError):
        drivers.open_target(url, 9600)


def test_a_link_that_is_pulled_out_is_lost(terminal: tuple[int, str]) -> None:
    """While reading and while writing, with the address."""
    far, name = terminal
    target = drivers.open_target(name, 9600)
    os.close(far)
    with pytest.raises(NotReachable, match=name):
        target.receive(1, 0.5)
    target.close()
    target.close()


def test_a_server_that_goes_away_is_lost() -> None:
    """A network bridge that is switched off."""
    with (
        line_server({"bye": Act(then_close=True)}) as server,
        drivers.open_target(f"socket://127.0.0.1:{server.port}", 9600) as target,
    ):
        target.send(b"bye\n")
        with pytest.raises(NotReachable, match="lost"):
            target.receive(1, 5.0)


def test_a_closed_link_is_not_reachable(terminal: tuple[int, str]) -> None:
    """Using it is no crash of the library."""
    target = drivers.open_target(terminal[1], 9600)
    target.close()
    for use in (lambda: target.send(b"x"), lambda: target.receive(1, 0.1), target.drain):
        with pytest.raises(NotReachable):
            use()


def test_a_peer_that_takes_nothing_is_a_time_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """A write does not wait for ever for a dead peer."""
    monkeypatch.setattr(module, "WRITE_TIMEOUT_S", 0.2)
    with (
        line_server({}, reads=False) as server,
        drivers.open_target(f"socket://127.0.0.1:{server.port}", 9600) as target,
        pytest.raises(TimedOut, match="takes no more bytes"),
    ):
        target.send(bytes(30_000_000))


def test_a_socket_carries_lines_both_ways() -> None:
    """`socket://` has no rate of its own: it is ignored there."""
    with (
        line_server({"Tide 7": say("Tide 7")}) as server,
        drivers.open_target(f"socket://127.0.0.1:{server.port}", 1_000_000) as target,
    ):
        target.send(b"Tide 7\n")
        assert target.receive(7, 5.0) == b"Tide 7\n"


@pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning")
def test_rfc2217_carries_every_byte() -> None:
    """RFC 2217 through pyserial's own server side: 0xFF is doubled on the wire and single at both ends."""
    with _rfc2217_echo() as port, drivers.open_target(f"rfc2217://127.0.0.1:{port}", 230400) as target:
        every = bytes(range(256))
        target.send(every)
        assert target.receive(256, 10.0) == every


@contextlib.contextmanager
def _rfc2217_echo() -> Iterator[int]:
    """A serial server that echoes: the far end is pyserial's loop device."""
    listener = socket.create_server(("127.0.0.1", 0))
    ending = threading.Event()

    def serve() -> None:
        peer, _ = listener.accept()
        device = serial.serial_for_url("loop://", timeout=0)
        with peer:
            manager = PortManager(device, _Writer(peer))  # type: ignore[arg-type]
            while not ending.is_set():
                peer.settimeout(0.02)
                try:
                    data = peer.recv(1024)
                except TimeoutError:
                    data = b""
                except OSError:
                    return
                device.write(b"".join(manager.filter(data)))
                with contextlib.suppress(OSError):
                    peer.sendall(b"".join(manager.escape(device.read(1024))))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        ending.set()
        thread.join(5)
        listener.close()


class _Writer:
    """What PortManager wants of a connection."""

    def __init__(self, peer: socket.socket) -> None:
        self._peer = peer

    def write(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self._peer.sendall(data)
