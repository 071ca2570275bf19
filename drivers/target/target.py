"""The serial link to the target board, through pyserial."""

from __future__ import annotations

import contextlib
import errno
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from types import TracebackType
from urllib.parse import urlsplit

import serial

from drivers.errors import DriverError, NotReachable, RequestError, TimedOut

try:
    import termios
    from termios import error as _TermiosError  # noqa: N812 - it is a class
except ImportError:  # not a POSIX system: pyserial reports such things by itself there
    _TermiosError = OSError  # type: ignore[assignment,misc]

WRITE_TIMEOUT_S = 5.0
READ_SLICE_S = 0.02
"""One read of the library waits this long at most; the deadline is kept by our own clock. It is never changed
on an open port: over rfc2217 each change of it is a negotiation of 0.1 s."""
LARGEST_DRAIN = 1 << 20


@dataclass(frozen=True)
class LinkFrame:
    """Data bits, parity, stop bits in the words of pyserial."""

    data_bits: int
    parity: str
    stop_bits: float

    @classmethod
    def parse(cls, text: str) -> LinkFrame:
        """From "8N1"; RequestError says what a serial port can do."""
        match = re.fullmatch(r"([5-8])([NEOMS])(1|1\.5|2)", text.strip().upper())
        if match is None:
            raise RequestError(
                f"frame {text!r} cannot be set on a serial port: 5-8 data bits, N E O M or S, 1 1.5 or 2"
            )
        return cls(int(match[1]), match[2], float(match[3]))


class Target:
    """The link to one target board; a context manager. Bytes go and come as they are.

    Every failure is one of drivers/errors.py with the link's address in it.
    """

    def __init__(self, url: str, baud: int, frame: str = "8N1") -> None:
        if not (isinstance(baud, int) and baud > 0):
            raise RequestError(f"baud must be a positive whole number, was {baud!r}", address=url)
        self.url = url
        self.baud = baud
        self.frame = frame
        self._port = _open(url, baud, LinkFrame.parse(frame))

    def __enter__(self) -> Target:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def send(self, data: bytes) -> None:
        """Hand all of `data` to the link; the last bytes may still be on their way when this returns.

        Raises:
            TimedOut: the link takes no more bytes (flow control, a dead peer).
            NotReachable: the link went away.
        """
        with self._speaking("send"):
            self._port.write(data)

    def receive(self, count: int, deadline_s: float) -> bytes:
        """Up to `count` bytes; fewer when no more came within `deadline_s` seconds, which is no error here.

        Raises:
            NotReachable: the link went away.
        """
        got = bytearray()
        end = time.monotonic() + deadline_s
        with self._speaking("receive"):
            while len(got) < count:
                got += self._port.read(count - len(got))
                if time.monotonic() >= end:
                    break
        return bytes(got)

    def drain(self) -> bytes:
        """Everything that has arrived and nobody asked for, taken out of the link and handed back.

        At most LARGEST_DRAIN bytes, so that a board which never stops talking cannot hold us.
        """
        got = bytearray()
        with self._speaking("drain"):
            while len(got) < LARGEST_DRAIN:
                piece = self._port.read(4096)
                got += piece
                if not piece:
                    break
        return bytes(got)

    def close(self) -> None:
        """Let the link go; harmless when it is already closed or broken."""
        with contextlib.suppress(OSError):  # a link that broke has nothing left to close
            self._port.close()

    @contextlib.contextmanager
    def _speaking(self, doing: str) -> Iterator[None]:
        try:
            yield
        except serial.SerialTimeoutException as error:
            raise TimedOut(
                f"{self.url} takes no more bytes within {WRITE_TIMEOUT_S:g} s: {error}",
                address=self.url,
                command=doing,
            ) from error
        except (OSError, _TermiosError, TypeError, AttributeError) as error:
            # TypeError, AttributeError: what pyserial trips over when the port was closed under it
            raise NotReachable(
                f"{self.url}: the link was lost while trying to {doing}: {error}",
                address=self.url,
                command=doing,
            ) from error


def _open(url: str, baud: int, frame: LinkFrame) -> serial.Serial:
    scheme = url.partition("://")[0].lower() if "://" in url else ""
    if scheme in ("socket", "rfc2217"):
        _check_host_and_port(url)
    try:
        port = serial.serial_for_url(
            url,
            baudrate=baud,
            bytesize=frame.data_bits,
            parity=frame.parity,
            stopbits=frame.stop_bits,
            timeout=READ_SLICE_S,
            # rfc2217 refuses a write time-out; its socket has one of 5 s anyhow
            write_timeout=None if scheme == "rfc2217" else WRITE_TIMEOUT_S,
            exclusive=None if scheme else True,
        )
        if not scheme:
            _check_frame(port, frame)
    except (ValueError, NotImplementedError, OverflowError, _TermiosError, OSError, AttributeError) as error:
        raise _why_not_open(url, baud, frame, error) from error
    return port


def _check_host_and_port(url: str) -> None:
    try:
        parts = urlsplit(url)
        whole = bool(parts.hostname and parts.port)
    except ValueError:
        whole = False
    if not whole:
        raise RequestError(f"{url} must be of the form scheme://host:port, port 1 to 65535", address=url)


def _check_frame(port: serial.Serial, frame: LinkFrame) -> None:
    """A pseudo-terminal silently drops parity and short characters when anything else changes with them."""
    descriptor = getattr(port, "fd", None)
    if descriptor is None:
        return
    control = termios.tcgetattr(descriptor)[2]
    size = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}[frame.data_bits]
    if bool(control & termios.PARENB) != (frame.parity != "N") or control & termios.CSIZE != size:
        port.close()
        raise OSError(errno.EINVAL, "it does not keep data bits and parity")


def _why_not_open(url: str, baud: int, frame: LinkFrame, error: BaseException) -> DriverError:
    number = error.args[0] if error.args and isinstance(error.args[0], int) else None
    settings = f"{baud} baud, {frame.data_bits}{frame.parity}{frame.stop_bits:g}"
    if number == errno.EINVAL:
        hint = (
            "; a pseudo-terminal takes no parity and only 8 bits: use 8N1 there, or the socket:// address"
            if frame.parity != "N" or frame.data_bits != 8
            else ""
        )
        return RequestError(f"{url} refuses {settings}: {error}{hint}", address=url)
    if isinstance(error, OSError):
        hint = HINTS.get(number or 0, "")
        return NotReachable(f"{url} could not be opened: {error}{hint}", address=url)
    return RequestError(f"{url} cannot be opened with {settings}: {error}", address=url)


HINTS = {
    errno.ENOENT: "; is the cable plugged in, and is that its name?",
    errno.EACCES: "; this account may not use it (on Debian: group dialout)",
    errno.EAGAIN: "; another program holds it",
    errno.EBUSY: "; another program holds it",
}
