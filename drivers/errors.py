"""Errors of the drivers. What a caller does next decides the branch:

DriverError
├── RequestError        we asked wrongly: a setting, a dialect, a call out of order. Mend the request.
├── NotReachable        nothing answers at that address, or it went away. Look at the cable, try later.
│   └── TimedOut        it is there but did not answer within the deadline.
├── ReplyError          it answered nonsense. Evidence is attached; the session was re-made.
├── InstrumentError     it understood and refused: entries of its error queue are attached.
└── IdentityError       another instrument answers than the one that was expected.
"""

from __future__ import annotations


class DriverError(Exception):
    """Anything that went wrong between us and an instrument or a link; never raised itself."""

    def __init__(self, message: str, *, address: str | None = None, command: str | None = None) -> None:
        super().__init__(message)
        self.address = address
        self.command = command


class RequestError(DriverError):
    """The request itself is wrong; nothing was sent."""


class NotReachable(DriverError):
    """Nothing answers at the address, or the connection was lost."""


class TimedOut(NotReachable):
    """No (complete) answer within the deadline."""


class ReplyError(DriverError):
    """The answer is not what the protocol allows."""

    def __init__(
        self,
        message: str,
        *,
        address: str | None = None,
        command: str | None = None,
        reply: bytes = b"",
        expected: str = "",
    ) -> None:
        super().__init__(message, address=address, command=command)
        self.reply = reply[:80]
        self.expected = expected


class InstrumentError(DriverError):
    """The instrument refused: `entries` holds (number, text) of its error queue, oldest first."""

    def __init__(
        self,
        message: str,
        *,
        address: str | None = None,
        command: str | None = None,
        entries: tuple[tuple[int, str], ...] = (),
    ) -> None:
        super().__init__(message, address=address, command=command)
        self.entries = entries


class IdentityError(DriverError):
    """Another instrument answers at this address than the station expects."""
