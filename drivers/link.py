"""The PyVISA form of a `Link` (seam.py): messages out, text and blocks back, over a session (session.py).

How it is kept from hanging, lying and leaking (each point was measured to be needed):
- One session, one thread and one lock per instrument. Two threads on one session get each other's answers.
- Every call has a deadline of ours around the library's own time-outs (errands.py says why).
- After any failure the session is closed at once, and the next call opens a new one: bytes that were on their
  way can then never be taken for the answer to a later question.
"""

from __future__ import annotations

import math
import threading
import time
import weakref
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from drivers.boundary import translate
from drivers.errands import Overdue
from drivers.errors import DriverError, IdentityError, RequestError, TimedOut
from drivers.reading import slowest_of
from drivers.scope.dialect import SerialLine
from drivers.seam import SERIAL, transport_of
from drivers.session import Session

Result = TypeVar("Result")

DEFAULT_TIMEOUT_S = 2.0
GRACE_S = 0.25
"""How long past a time-out of the library we wait for it to come back by itself."""
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
        self._session: Session | None = None
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

    def _ready(self) -> Session:
        if self._closed:
            raise RequestError(f"{self.address}: this link was closed", address=self.address)
        if self._session is None:
            self.reopen()
        assert self._session is not None
        return self._session

    def _connect(self) -> None:
        session = Session(self.address, self._transport, self._visa_library, self._serial_line)
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
            return self._session.run(call, wait_s + GRACE_S)
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


def _lock_of(address: str) -> threading.RLock:
    with _OF_PROCESS:
        return _LOCKS.setdefault(address.upper(), threading.RLock())


_OF_PROCESS = threading.Lock()
_LOCKS: weakref.WeakValueDictionary[str, threading.RLock] = weakref.WeakValueDictionary()
