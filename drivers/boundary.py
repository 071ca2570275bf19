"""Everything that may come out of the VISA library, turned into our own errors.

Seen there: VisaIOError, InvalidSession, the OSError family, RuntimeError, ValueError, UnicodeDecodeError,
TypeError, AssertionError and bare Exception. The library is not imported here: its errors are known by the
names of their status codes (VPP-4.3).
"""

from __future__ import annotations

import socket

from drivers.errors import DriverError, NotReachable, ReplyError, RequestError, TimedOut


def translate(
    error: BaseException, address: str, command: str | None, *, opening: bool = False
) -> DriverError:
    """Our error for a foreign one, with the address and the command in its words and in its fields."""
    if isinstance(error, DriverError):
        if error.address is None:
            error.args = (f"{_place(address, command)}: {error}",)
            error.address, error.command = address, _short(command)
        return error
    kind, words = _kind_and_words(error, opening)
    return kind(f"{_place(address, command)}: {words}", address=address, command=_short(command))


def _place(address: str, command: str | None) -> str:
    return f"{address} at {_short(command)!r}" if command else address


def _kind_and_words(error: BaseException, opening: bool) -> tuple[type[DriverError], str]:
    abbreviation = getattr(error, "abbreviation", None)
    if abbreviation == "VI_ERROR_RSRC_NFOUND" and (deeper := _network_error_behind(error)):
        return _kind_and_words(deeper, opening)
    if isinstance(abbreviation, str):
        return VISA_STATUS.get(abbreviation, (NotReachable, f"the VISA library reports {abbreviation}"))
    for kind, ours, words in FOREIGN:
        if isinstance(error, kind):
            return ours, words.format(error=error)
    text = str(error) or type(error).__name__
    for fragment, ours, words in TEXTS:
        if fragment in text:
            return ours, words.format(error=text)
    if opening and isinstance(error, (ValueError, TypeError, KeyError)):
        return RequestError, f"that is no address which can be opened: {text}"
    return NotReachable, f"the connection failed ({type(error).__name__}: {text})"


def _network_error_behind(error: BaseException) -> OSError | None:
    """What really happened when the library only says "not found"."""
    deeper: BaseException | None = error
    while deeper is not None:
        if isinstance(deeper, OSError):
            return deeper
        deeper = deeper.__cause__ or deeper.__context__
    return None


def _short(command: str | None) -> str | None:
    return command if command is None or len(command) <= 200 else command[:197] + "..."


NO_ANSWER = "no complete answer within the time allowed"

VISA_STATUS: dict[str, tuple[type[DriverError], str]] = {
    "VI_ERROR_TMO": (TimedOut, NO_ANSWER),
    "VI_ERROR_INV_RSRC_NAME": (RequestError, "that is not a VISA resource name"),
    "VI_ERROR_RSRC_NFOUND": (NotReachable, "nothing is found at that address"),
    "VI_ERROR_CONN_LOST": (NotReachable, "the connection was lost"),
    "VI_ERROR_IO": (NotReachable, "the connection broke while bytes were on their way"),
    "VI_ERROR_RSRC_LOCKED": (NotReachable, "another program has locked the instrument"),
    "VI_ERROR_RSRC_BUSY": (NotReachable, "the instrument is in use by another program"),
    "VI_ERROR_SYSTEM_ERROR": (NotReachable, "the connection could not be made"),
    "VI_ERROR_LIBRARY_NFOUND": (RequestError, "that VISA library is not installed"),
}
FOREIGN: tuple[tuple[type[BaseException], type[DriverError], str], ...] = (
    (TimeoutError, TimedOut, NO_ANSWER),
    (
        ConnectionRefusedError,
        NotReachable,
        "the connection was refused: is the instrument on, is that its port?",
    ),
    (ConnectionError, NotReachable, "the connection was lost: {error}"),
    (socket.gaierror, NotReachable, "that host name is not known: {error}"),
    (UnicodeError, ReplyError, "the answer holds bytes that are no text: {error}"),
    (OSError, NotReachable, "the network reports: {error}"),
    (AssertionError, ReplyError, "the answer breaks the rules of the transport"),
)
TEXTS: tuple[tuple[str, type[DriverError], str], ...] = (
    (
        "filedescriptor out of range",
        NotReachable,
        "more than 1023 files are open in this process, and this transport cannot go past that: "
        "close some, or use the instrument's HiSLIP address",
    ),
    ("dropped by server", NotReachable, "the instrument closed the connection"),
    ("Invalid session handle", NotReachable, "the session is closed"),
    ("could not connect", NotReachable, "{error}"),
    ("can't connect", NotReachable, "{error}"),
    ("error creating link", NotReachable, "the instrument gives no link: {error}"),
    ("synchronization error", ReplyError, "the answer does not follow the transport's framing: {error}"),
    ("message type", ReplyError, "the answer does not follow the transport's framing: {error}"),
)
