"""A scope on a serial line: no connection that could be made anew, and a newline is all that ends a
message."""

from __future__ import annotations

import contextlib
import os
import select
import termios
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from drivers.errors import ReplyError, RequestError, TimedOut
from drivers.link import VisaLink
from drivers.reading import slowest_of
from drivers.scope.dialect import SerialLine
from tests.drivers.servers import block

pty = pytest.importorskip("pty", reason="pseudo-terminals are a POSIX thing")

PAYLOADS = {"all-values": bytes(range(256)) * 4, "all-newlines": b"\n" * 500, "empty": b""}


@contextlib.contextmanager
def instrument(answers: dict[str, bytes | Callable[[], bytes]]) -> Iterator[str]:
    """The address of a pseudo-terminal at whose far end each line gets its answer."""
    far, near = pty.openpty()
    ending = threading.Event()

    def serve() -> None:
        buffer = b""
        while not ending.is_set():
            if not select.select([far], [], [], 0.02)[0]:
                continue
            with contextlib.suppress(OSError):
                buffer += os.read(far, 4096)
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                answer = answers.get(line.decode("ascii"), b"")
                os.write(far, answer() if callable(answer) else answer)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"ASRL{os.ttyname(near)}::INSTR"
    finally:
        ending.set()
        thread.join(5)
        os.close(far)
        os.close(near)


@pytest.mark.parametrize("name", PAYLOADS)
def test_texts_and_blocks_come_whole(name: str) -> None:
    """The library ends a serial read at each newline unless it is told otherwise, block by block."""
    payload = PAYLOADS[name]
    with instrument({"*IDN?": b"A,B,1,0\n", "DATA?": block(payload)}) as address:
        link = VisaLink(address, timeout_s=1.0)
        for _ in range(2):
            assert link.query("*IDN?") == "A,B,1,0"
            assert link.query_block("DATA?", limit_bytes=5000).tobytes() == payload
        link.close()


def test_silence_is_a_time_out() -> None:
    """A cable that is not plugged in at the far end."""
    with instrument({}) as address:
        link = VisaLink(address, timeout_s=0.2)
        with pytest.raises(TimedOut):
            link.query("*IDN?")
        link.close()


def test_a_late_answer_is_met_by_the_greeting() -> None:
    """Nothing is cut off by opening a serial line anew; the identity that is asked for shows what is
    stale."""
    late = [True]

    def slowly() -> bytes:
        if late.pop() if late else False:
            time.sleep(0.3)
            return b"OLD\n"
        return b"NEW\n"

    def greet(link: VisaLink) -> None:
        if link.query("*IDN?") != "A,B,1,0":
            raise ReplyError("not the instrument")

    with instrument({"*IDN?": b"A,B,1,0\n", "A?": slowly}) as address:
        link = VisaLink(address, timeout_s=0.2, greet=greet)
        with pytest.raises(TimedOut):
            link.query("A?")
        assert link.query("A?") == "NEW"
        link.close()


def test_the_port_is_set_as_the_dialect_says() -> None:
    """A scope at another rate says nothing at the library's own 9600 8N1."""
    with instrument({"*IDN?": b"A,B,1,0\n"}) as address:
        link = VisaLink(address, timeout_s=1.0, serial_line=SerialLine(19200, "8N2", "xon"))
        assert link.query("*IDN?") == "A,B,1,0"
        port = os.open(address.removeprefix("ASRL").removesuffix("::INSTR"), os.O_RDWR | os.O_NOCTTY)
        flags_in, _, flags, _, _, speed, _ = termios.tcgetattr(port)
        os.close(port)
        link.close()
    assert speed == termios.B19200
    assert flags & termios.CSTOPB
    assert flags_in & termios.IXON


def test_a_port_that_cannot_be_set_so_is_a_wrong_request() -> None:
    """A pseudo-terminal takes no 7 data bits; some adapters neither."""
    with (
        instrument({"*IDN?": b"A,B,1,0\n"}) as address,
        pytest.raises(RequestError, match="does not take 19200 7E1"),
    ):
        VisaLink(address, timeout_s=1.0, serial_line=SerialLine(19200, "7E1"))


def test_a_slow_line_is_given_the_time_that_its_bits_need() -> None:
    """1000 bytes at 9600 8E1 (11 bits each) take 1.15 s: a block is not stuck before twice that."""
    assert SerialLine(9600, "8E1").bytes_per_s == pytest.approx(9600 / 11)
    assert slowest_of(SerialLine(9600, "8E1")) == pytest.approx(9600 / 11 / 2)
    assert slowest_of(None) == 100_000
