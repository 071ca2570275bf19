"""What only the pure Python VISA library needs: it leaks, prints, and has ways out that VISA does not offer.

Everything here is found by looking and goes without where it is missing, as with any other VISA library.
"""

from __future__ import annotations

import contextlib
import importlib
import socket
import traceback
from collections.abc import Callable
from typing import Any

Direct = Callable[[memoryview, float], int]


def keep_quiet() -> None:
    """Its HiSLIP part prints a line when a server prefers overlap mode, and our standard output is read
    by programs."""
    with contextlib.suppress(ImportError):
        vars(importlib.import_module("pyvisa_py.protocols.hislip"))["print"] = lambda *_words: None


def close_leftovers(error: BaseException) -> None:
    """Close the sockets that the library leaves open, in objects nobody has, when it cannot connect."""
    link: BaseException | None = error
    while link is not None:
        for frame, _ in traceback.walk_tb(link.__traceback__):
            if frame.f_globals.get("__name__", "").startswith("pyvisa_py"):
                owner = frame.f_locals.get("self")
                for value in [*frame.f_locals.values(), *getattr(owner, "__dict__", {}).values()]:
                    for found in (value, getattr(value, "sock", None)):  # VXI-11 keeps it in its client
                        if isinstance(found, socket.socket):
                            found.close()
        link = link.__cause__ or link.__context__


def library_side(resource: Any) -> Any:
    """The pure Python library's own object of this session; None with any other library."""
    sessions = getattr(resource.visalib, "sessions", None)
    return sessions.get(resource.session) if isinstance(sessions, dict) else None


def direct(resource: Any) -> Direct | None:
    """A way to receive straight into an array what the library would first put into buffers of its own, with
    its counters kept in step; None where this session has none.

    The way takes a view and a time-out in seconds, and gives how many bytes came into the view; 0: this time
    the library must read, since it holds bytes already or must read a message header first. It raises
    TimeoutError.
    """
    side = library_side(resource)
    interface = getattr(side, "interface", None)
    if isinstance(interface, socket.socket) and isinstance(getattr(side, "_pending_buffer", None), bytearray):
        return lambda view, timeout_s: 0 if side._pending_buffer else _some(interface, view, timeout_s)
    if isinstance(getattr(interface, "_sync", None), socket.socket) and isinstance(
        getattr(interface, "_payload_remaining", None), int
    ):
        return lambda view, timeout_s: _receive_payload(interface, view, timeout_s)
    return None


def _receive_payload(interface: Any, view: memoryview, timeout_s: float) -> int:
    """Of the HiSLIP message that the library is in."""
    here = min(interface._payload_remaining, len(view))
    if here <= 0:
        return 0
    count = _some(interface._sync, view[:here], timeout_s)
    interface._payload_remaining -= count
    return count


def _some(line: socket.socket, view: memoryview, timeout_s: float) -> int:
    if line.gettimeout() != timeout_s:
        line.settimeout(timeout_s)
    count = line.recv_into(view)
    if not count:
        raise ConnectionResetError("the instrument closed the connection")
    return count


def unblock(resource: Any) -> None:
    """Get a thread out of the library, from another one. Where there is no way, it stays until the peer
    moves."""
    with contextlib.suppress(Exception):  # the session may end at this very moment, by itself
        interface: Any = getattr(library_side(resource), "interface", None)
        for line in (interface, getattr(interface, "sock", None), getattr(interface, "_sync", None)):
            if isinstance(line, socket.socket):
                line.shutdown(socket.SHUT_RDWR)
        if not isinstance(interface, socket.socket) and hasattr(interface, "timeout"):
            interface.timeout = 0.001


def forget(resource: Any, handle: Any) -> None:
    """Take a closed session out of the library's list: it never does so by itself."""
    sessions = getattr(resource.visalib, "sessions", None)
    if isinstance(sessions, dict):
        sessions.pop(handle, None)
