"""One VXI-11 link: program messages in, pieces of the response out.

A message is carried out in a thread of the link, so that a controller can read with a time-out, clear or
abort while it goes on. A device_write comes back when the message is carried out, or when that takes longer
than a real instrument's input buffer would hide.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator

from simulator.scope.instrument import Conversation, Scope
from simulator.transports.delivery import deliver

REQUEST_COUNT, CHARACTER, END_OF_MESSAGE = 1, 2, 4
"""Reasons why a read stopped; may be added."""
TIMED_OUT, ABORTED = 15, 23
BUFFERED_S = 0.05
LOOK_S = 0.2
"""Longest wait between two looks at whether the controller is still there."""
LONGEST_MESSAGE = 4 << 20


class Refused(Exception):
    """A call cannot be carried out; `code` is the protocol's error number."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class Link:
    """What one controller has written and not yet read."""

    def __init__(
        self, number: int, scope: Scope, is_there: Callable[[], bool], drop: Callable[[], None]
    ) -> None:
        self.number = number
        self._scope = scope
        self._is_there = is_there
        self._drop = drop
        self.conversation = Conversation(scope, still_wanted=lambda: not self._ended and is_there())
        self._changed = threading.Condition()
        self._input = bytearray()
        self._message: bytes | None = None
        """Complete, being carried out or about to be."""
        self._output = bytearray()
        self._output_ends = False
        """END follows what is in the output now."""
        self._owes = False
        """A response was asked for whose end has not been read; it may never come (fault switches)."""
        self._dies = False
        self._clears = 0
        self._aborts = self._aborts_before = 0
        self._ended = False
        self._thread = threading.Thread(target=self._work, name=f"vxi11-link-{number}", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """The link is destroyed or its connection gone."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
        self.conversation.clear()
        self._thread.join(5)

    def write(self, data: bytes, *, ends: bool, wait_s: float) -> None:
        """A part of a program message; Refused when the one before it is not done within `wait_s`."""
        with self._changed:
            self._wait(lambda: self._message is None, wait_s)
            self._input += data
            if len(self._input) > LONGEST_MESSAGE:
                self._input.clear()
                self.conversation.report(-363, f"more than {LONGEST_MESSAGE} bytes without END")
            if not ends:
                return
            self._message, self._input = bytes(self._input), bytearray()
            self._drop_unread()
            self._changed.notify_all()
            with contextlib.suppress(Refused):  # it goes on: the controller need not wait for that
                self._wait(lambda: self._message is None, BUFFERED_S)

    def read(self, size: int, stop: bytes | None, wait_s: float) -> tuple[bytes, int]:
        """The response up to `size` bytes, `stop` or its end, and why it stopped there (0: it never ends).

        Refused after `wait_s`; what has come by then is there for the next read (our choice).
        """
        with self._changed:
            until = time.monotonic() + wait_s
            self._wait(lambda: bool(self._reason(size, stop)[1]) or self._message is None, wait_s)
            if not (self._output or self._owes or self._output_ends):
                self.conversation.report(-420)  # nothing was asked that has an answer
            self._wait(lambda: bool(self._reason(size, stop)[1]) or self._dies, until - time.monotonic())
            count, reason = self._reason(size, stop)
            data = bytes(memoryview(self._output)[:count])
            del self._output[:count]
            if reason & END_OF_MESSAGE:
                self._output_ends = self._owes = self.conversation.message_available = False
            self._changed.notify_all()
            return data, reason

    def _reason(self, size: int, stop: bytes | None) -> tuple[int, int]:
        """How much a read takes now, and why not more; 0 while it would wait for more."""
        count, reason = min(len(self._output), size), 0
        if stop is not None and (found := self._output.find(stop, 0, size)) >= 0:
            count, reason = found + 1, CHARACTER
        if count == size:
            reason |= REQUEST_COUNT
        if self._output_ends and count == len(self._output):
            reason |= END_OF_MESSAGE
        return count, reason

    def clear(self) -> None:
        """Device clear: input, output and what is being carried out are dropped."""
        with self._changed:
            self._clears += 1
            self._input.clear()
            self._output.clear()
            self._output_ends = self._owes = False
            self._changed.notify_all()
        self.conversation.clear()

    def group_trigger(self, wait_s: float) -> None:
        with self._changed:
            self._wait(lambda: self._message is None, wait_s)
        self.conversation.group_trigger()

    def abort(self) -> None:
        """What the controller waits for on this link ends with error 23."""
        with self._changed:
            self._aborts += 1
            self._changed.notify_all()

    @contextlib.contextmanager
    def abortable(self) -> Iterator[Callable[[], bool]]:
        """Gives a function that says whether the call is still wanted; the body's waits heed aborts, too."""
        self._aborts_before = self._aborts
        yield lambda: self._aborts == self._aborts_before and not self._ended and self._is_there()

    def _wait(self, there: Callable[[], bool], wait_s: float) -> None:
        """Until it is there; Refused after `wait_s`, or when nobody wants it any more. Hold `changed`."""
        deadline = time.monotonic() + wait_s
        while not there():
            left = deadline - time.monotonic()
            if self._aborts != self._aborts_before or self._ended:
                raise Refused(ABORTED)
            if left <= 0 or not self._is_there():
                raise Refused(TIMED_OUT)
            self._changed.wait(min(left, LOOK_S))

    def _drop_unread(self) -> None:
        self._owes = False
        if self._output or self._output_ends:
            self._output.clear()
            self._output_ends = self.conversation.message_available = False
            self.conversation.report(-410)

    def _work(self) -> None:
        while True:
            with self._changed:
                while self._message is None and not self._ended:
                    self._changed.wait()
                if self._ended:
                    return
                message, clears = self._message or b"", self._clears
            response = self.conversation.execute(message)
            if response:
                self._respond(response, clears)
            with self._changed:
                self._message = None
                self._changed.notify_all()

    def _respond(self, response: bytes, clears: int) -> None:
        with self._changed:
            self._owes = self._clears == clears
        delivery = deliver(response, self._scope.switches)
        for place, (pause_s, part) in enumerate(delivery.parts, start=1):
            with self._changed:
                if self._changed.wait_for(lambda: self._ended or self._clears != clears, pause_s):
                    return
                self._output += part
                self.conversation.message_available = True
                self._output_ends = delivery.ends and place == len(delivery.parts)
                self._changed.notify_all()
        if delivery.drops:
            with self._changed:
                self._dies = True
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._ended or not self._output, LOOK_S)
            self._drop()
