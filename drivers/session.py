"""One VISA session: opened, asked, closed. Only here is pyvisa imported.

- One resource manager for the process, never closed: closing one invalidates every session there is.
- Blocks are read with the termination character off: else each 0x0A in the data ends a read (reading.py).
- `clear()` is never used: on a socket it may never return.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
import pyvisa
from numpy.typing import NDArray
from pyvisa.constants import ControlFlow, Parity, SerialTermination, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument

from drivers.boundary import NO_ANSWER
from drivers.errands import Errands
from drivers.errors import RequestError, TimedOut
from drivers.library_side import Direct, close_leftovers, direct, forget, keep_quiet, library_side, unblock
from drivers.reading import read_block, read_text, slowest_of
from drivers.scope.dialect import SerialLine
from drivers.seam import Transport

Result = TypeVar("Result")

CLOSING_S = 1.0
"""Taking leave of an instrument that is gone may take longer: it is then cut short."""
MOST_UNANSWERED = 16 << 10
"""Bytes sent without an answer in between. A peer that does not read blocks a write for ever once its buffers
are full; the smallest usual ones hold several times this."""


class Session:
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
        self._quiet = contextlib.ExitStack()

    def run(self, call: Callable[[], Result], deadline_s: float) -> Result:
        """What `call` on this session returns or raises. Raises Overdue after `deadline_s` seconds.

        Where the library can be got out of a read for certain, the caller's own thread makes the call and
        the session's thread only watches the clock: to wake two threads for a question costs more than to
        ask it. Everywhere else the session's thread makes the call, and is left behind when it is late.
        """
        resource = self._resource
        if resource is None or not (self.marks_end and self.direct is not None):
            return self.errands.run(call, deadline_s)
        return self.errands.run_watched(call, deadline_s, lambda: unblock(resource))

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
        # once for all reads: it costs as much as half a read
        self._quiet.enter_context(
            resource.ignore_warning(StatusCode.success_device_not_present, StatusCode.success_max_count_read)
        )
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
        self._quiet.close()
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


_OF_PROCESS = threading.Lock()
_MANAGERS: dict[str, pyvisa.ResourceManager] = {}

WIDE_PIECE = 512 << 10
PARITIES = {"N": Parity.none, "E": Parity.even, "O": Parity.odd, "M": Parity.mark, "S": Parity.space}
STOP_BITS = {"1": StopBits.one, "1.5": StopBits.one_and_a_half, "2": StopBits.two}
FLOWS = {"none": ControlFlow.none, "xon": ControlFlow.xon_xoff, "rts": ControlFlow.rts_cts}
