"""What only the pure Python VISA library needs: it leaks, prints, and has ways out that VISA does not offer.

Everything here is found by looking and goes without where it is missing, as with any other VISA library.
"""

from __future__ import annotations

import contextlib
import importlib
import socket
import traceback
from typing import Any


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
                    if isinstance(value, socket.socket):
                        value.close()
        link = link.__cause__ or link.__context__


def library_side(resource: Any) -> Any:
    """The pure Python library's own object of this session; None with any other library."""
    sessions = getattr(resource.visalib, "sessions", None)
    return sessions.get(resource.session) if isinstance(sessions, dict) else None


def unblock(resource: Any) -> None:
    """Get a thread out of the library, from another one. Where there is no way, it stays until the peer
    moves."""
    with contextlib.suppress(Exception):  # the session may end at this very moment, by itself
        interface: Any = getattr(library_side(resource), "interface", None)
        for line in (interface, getattr(interface, "sock", None)):
            if isinstance(line, socket.socket):
                line.shutdown(socket.SHUT_RDWR)
        if not isinstance(interface, socket.socket) and hasattr(interface, "timeout"):
            interface.timeout = 0.001


def forget(resource: Any, handle: Any) -> None:
    """Take a closed session out of the library's list: it never does so by itself."""
    sessions = getattr(resource.visalib, "sessions", None)
    if isinstance(sessions, dict):
        sessions.pop(handle, None)
