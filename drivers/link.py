"""The PyVISA form of a `Link` (seam.py): messages out, text and blocks back. Only here is pyvisa imported.

How it is kept from hanging, lying and leaking (each point was measured to be needed):
- One resource manager for the process, never closed: closing one invalidates every session there is.
- One session, one thread and one lock per instrument. Two threads on one session get each other's answers.
- Every call has a deadline of ours around the library's own time-outs (errands.py says why).
- Blocks are read with the termination character off: else each 0x0A in the data ends a read (reading.py).
- After any failure the session is closed at once, and the next call opens a new one: bytes that were on their
  way can then never be taken for the answer to a later question. `clear()` is never used: on a socket it may
  never return.
"""

from __future__ import annotations

import math
import threading
import time
import weakref
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
import pyvisa
from numpy.typing import NDArray
from pyvisa.constants import ControlFlow, Parity, SerialTermination, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument

from drivers.boundary import NO_ANSWER, translate
from drivers.errands import Errands, Overdue
from drivers.errors import DriverError, IdentityError, RequestError, TimedOut
from drivers.library_side import Direct, close_leftovers, direct, forget, keep_quiet, library_side, unblock
from drivers.reading import read_block, read_text, slowest_of
from drivers.scope.dialect import SerialLine
from drivers.seam import SERIAL, Transport, transport_of

Result = TypeVar("Result")

DEFAULT_TIMEOUT_S = 2.0
GRACE_S = 0.25
"""How long past a time-out of the library we wait for it to come back by itself."""
CLOSING_S = 1.0
"""Taking leave of an instrument that is gone may take longer: it is then cut short."""
MOST_UNANSWERED = 16 << 10
"""Bytes sent without an answer in between. A peer that does not read blocks a write for ever once its buffers
are full; the smallest usual ones hold several times this."""
BACKOFF_S = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8)


class VisaLink:
    """A `Link` over PyVISA.

    Args:
        address: VISA resource name.
        serial_line: how the port is set where the address is a serial one; the library's 9600 8N1 without it.
        greet: called after each opening with this link, to see that the right instrument answers and is in
            order. What it raises fails the opening; re-opening tries again, except after an IdentityError.
    """

    def __init__(
        self,
        address: str,
        *,
        visa_library: str = "@py",
        timeout_s: float = DEFAULT_TIMEOUT_S,
        greet: Callable[[VisaLink], None] | None = None,
        pause: Callable[[float], None] = time.sleep,
        serial_line: SerialLine | None = None,
    ) -> None:
        if not (math.isfinite(timeout_s) and timeout_s > 0):
            raise RequestError(f"timeout_s must be positive, was {timeout_s!r}", address=address)
        self.address = address
        self.lock = _lock_of(address)
        self.timeout_s = timeout_s
        self._visa_library = visa_library
        self._transport = transport_of(address)
        self._serial_line = serial_line if self._transport is SERIAL else None
        self._greet = greet
        self._pause = pause
        self._session: _Session | None = None
        self._closed = False
        with self.lock:
            self._connect()

    def write(self, *messages: str) -> None:
        data = self._encoded(messages)
        with self.lock:
            session = self._ready()
            self._do(lambda: session.send(data), self.timeout_s, "; ".join(messages))

    def query(self, message: str, *, before: Sequence[str] = (), timeout_s: float | None = None) -> str:
        data = self._encoded([*before, message])
        wait_s = timeout_s or self.timeout_s
        with self.lock:
            session = self._ready()
            reply = self._do(lambda: session.ask(data, wait_s), wait_s, message)
        return reply.decode("latin-1").rstrip("\r\n")

    def query_block(
        self,
        message: str,
        *,
        limit_bytes: int,
        before: Sequence[str] = (),
        timeout_s: float | None = None,
        newline: bool = True,
    ) -> NDArray[np.uint8]:
        data = self._encoded([*before, message])
        wait_s = timeout_s or self.timeout_s
        whole_s = wait_s + limit_bytes / slowest_of(self._serial_line)
        with self.lock:
            session = self._ready()
            return self._do(lambda: session.ask_block(data, wait_s, limit_bytes, newline), whole_s, message)

    def reopen(self, patience_s: float | None = None) -> None:
        with self.lock:
            self._closed = False
            self._drop()
            give_up = time.monotonic() + (self.timeout_s if patience_s is None else patience_s)
            for delay in BACKOFF_S:
                self._pause(delay)
                try:
                    self._connect()
                except (IdentityError, RequestError):
                    raise
                except DriverError:
                    if delay == BACKOFF_S[-1] or time.monotonic() >= give_up:
                        raise
                else:
                    break

    def distrust(self) -> None:
        with self.lock:
            self._drop()

    def close(self) -> None:
        with self.lock:
            self._closed = True
            self._drop()

    def _ready(self) -> _Session:
        if self._closed:
            raise RequestError(f"{self.address}: this link was closed", address=self.address)
        if self._session is None:
            self.reopen()
        assert self._session is not None
        return self._session

    def _connect(self) -> None:
        session = _Session(self.address, self._transport, self._visa_library, self._serial_line)
        self._session = session
        self._do(lambda: session.open(self.timeout_s), self.timeout_s, None, opening=True)
        try:
            if self._greet is not None:
                self._greet(self)
        except BaseException:
            self._drop()
            raise

    def _do(
        self, call: Callable[[], Result], wait_s: float, command: str | None, *, opening: bool = False
    ) -> Result:
        """Run `call` in the session's thread. Whatever goes wrong, the session is gone afterwards."""
        assert self._session is not None
        try:
            return self._session.errands.run(call, wait_s + GRACE_S)
        except Overdue as error:
            self._drop(stuck=True)
            late = TimedOut(f"not finished within {wait_s:g} s")
            raise translate(late, self.address, command) from error
        except Exception as error:  # noqa: BLE001 - nothing of the library may pass this border as it is
            self._drop()
            ours = translate(error, self.address, command, opening=opening)
            raise ours from (None if ours is error else error)
        except BaseException:  # the wait was interrupted (Ctrl-C), and the call still runs
            self._drop(stuck=True)
            raise

    def _drop(self, *, stuck: bool = False) -> None:
        session, self._session = self._session, None
        if session is not None:
            session.discard(stuck=stuck)

    def _encoded(self, messages: Sequence[str]) -> list[bytes]:
        """The messages as bytes, one buffer for all where the transport wants it so."""
        for message in messages:
            if "\n" in message or not message.isascii():
                raise RequestError(
                    f"a command must be ASCII without a newline, was {message!r}", address=self.address
                )
        lines = [message.encode("ascii") + b"\n" for message in messages]
        return [b"".join(lines)] if self._transport.joins_messages else lines


class _Session:
    """One VISA session and its thread, in which everything but `discard` runs."""

    def __init__(
        self, address: str, transport: Transport, visa_library: str, line: SerialLine | None
    ) -> None:
        self.errands = Errands(f"visa {address}")
        self.marks_end = transport.marks_end
        self.piece_bytes = transport.piece_bytes
        self.timeout_s = 0.0
        self.slowest_bytes_per_s = slowest_of(line)
        self.direct: Direct | None = None
        self._line = line
        self._address = address
        self._visa_library = visa_library
        self._resource: MessageBasedResource | None = None
        self._stops_at_newline: bool | None = None
        self._unanswered = 0

    def open(self, timeout_s: float) -> None:
        manager = _resource_manager(self._visa_library)
        try:
            resource = manager.open_resource(self._address, open_timeout=max(1, round(timeout_s * 1000)))
        except Exception as error:
            close_leftovers(error)
            raise
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise RequestError("that is not an instrument which takes messages")
        self._resource = resource
        if self._line is not None and isinstance(resource, SerialInstrument):
            set_serial_line(resource, self._line)
        self.set_timeout(timeout_s)
        side = library_side(resource)
        if isinstance(getattr(side, "max_recv_size", None), int) and not self.marks_end:
            # one receive then fetches a whole piece instead of 4096 bytes: two to three times as fast
            side.max_recv_size = self.piece_bytes = WIDE_PIECE
        self.direct = direct(resource)

    def discard(self, *, stuck: bool) -> None:
        """Close the session. If its thread is stuck in the library, unblock it where there is a way; do
        not wait."""
        resource = self._resource
        self.errands.end(self._close)
        if resource is not None and (stuck or not self.errands.wait_ended(CLOSING_S)):
            unblock(resource)

    def send(self, buffers: Sequence[bytes]) -> None:
        self._unanswered += sum(map(len, buffers))
        if self._unanswered > MOST_UNANSWERED:
            raise RequestError(f"{self._unanswered} bytes were sent without one answer: end with a query")
        for data in buffers:
            self._open_one().write_raw(data)

    def ask(self, buffers: Sequence[bytes], wait_s: float) -> bytes:
        self.set_timeout(wait_s)
        self.send(buffers)
        answer = read_text(self)
        self._unanswered = 0
        return answer

    def ask_block(
        self, buffers: Sequence[bytes], wait_s: float, limit_bytes: int, newline: bool
    ) -> NDArray[np.uint8]:
        self.send(buffers)
        data = read_block(self, wait_s, limit_bytes, newline)
        self._unanswered = 0
        return data

    def read(self, count: int) -> tuple[bytes, bool]:
        resource = self._open_one()
        with resource.ignore_warning(
            StatusCode.success_device_not_present, StatusCode.success_max_count_read
        ):
            try:
                piece, status = resource.visalib.read(resource.session, count)
            except pyvisa.errors.VisaIOError as error:
                if error.error_code == StatusCode.error_timeout:
                    raise TimedOut(NO_ANSWER) from error
                raise
        return piece, status != StatusCode.success_max_count_read

    def set_timeout(self, timeout_s: float) -> None:
        if timeout_s != self.timeout_s:
            self._open_one().timeout = max(1, round(timeout_s * 1000))
            self.timeout_s = timeout_s

    def stop_at_newline(self, on: bool) -> None:
        if on != self._stops_at_newline:
            resource = self._open_one()
            resource.read_termination = "\n" if on else None
            if isinstance(resource, SerialInstrument):
                resource.end_input = SerialTermination.termination_char if on else SerialTermination.none
            self._stops_at_newline = on

    def _open_one(self) -> MessageBasedResource:
        if self._resource is None:
            raise pyvisa.errors.InvalidSession
        return self._resource

    def _close(self) -> None:
        resource, self._resource = self._resource, None
        if resource is None:
            return
        handle = resource.session
        try:
            resource.close()
        finally:
            forget(resource, handle)


def set_serial_line(resource: SerialInstrument, line: SerialLine) -> None:
    """Rate, frame and flow control of the port. Raises RequestError when the port cannot be set so."""
    try:
        resource.baud_rate = line.baud
        resource.data_bits = int(line.frame[0])
        resource.parity = PARITIES[line.frame[1]]
        resource.stop_bits = STOP_BITS[line.frame[2:]]
        resource.flow_control = FLOWS[line.flow]
    except Exception as error:
        raise RequestError(f"the port does not take {line.baud} {line.frame} ({error})") from error


# --- the library: one manager for the process ---------------------------------------------------------------


def _resource_manager(visa_library: str) -> pyvisa.ResourceManager:
    with _OF_PROCESS:
        manager = _MANAGERS.get(visa_library)
        if manager is None or manager._session is None:  # None: somebody closed it, and all sessions with it
            if visa_library.endswith("@py"):
                keep_quiet()
            try:
                manager = pyvisa.ResourceManager(visa_library)
            except (OSError, ValueError, pyvisa.errors.LibraryError) as error:
                raise RequestError(f"the VISA library {visa_library!r} cannot be used: {error}") from error
            _MANAGERS[visa_library] = manager
        return manager


def _lock_of(address: str) -> threading.RLock:
    with _OF_PROCESS:
        return _LOCKS.setdefault(address.upper(), threading.RLock())


_OF_PROCESS = threading.Lock()
_MANAGERS: dict[str, pyvisa.ResourceManager] = {}
_LOCKS: weakref.WeakValueDictionary[str, threading.RLock] = weakref.WeakValueDictionary()

WIDE_PIECE = 512 << 10
PARITIES = {"N": Parity.none, "E": Parity.even, "O": Parity.odd, "M": Parity.mark, "S": Parity.space}
STOP_BITS = {"1": StopBits.one, "1.5": StopBits.one_and_a_half, "2": StopBits.two}
FLOWS = {"none": ControlFlow.none, "xon": ControlFlow.xon_xoff, "rts": ControlFlow.rts_cts}
