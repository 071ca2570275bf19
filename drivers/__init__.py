"""The whole public face of the drivers. Nothing heavy is imported until a scope or a target is opened.

with drivers.open_scope("TCPIP::127.0.0.1::5025::SOCKET", "scpi-1999") as scope: ...
with drivers.open_target("socket://127.0.0.1:15000", 230400, "8N1") as target: ...
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.errors import (
    DriverError,
    IdentityError,
    InstrumentError,
    NotReachable,
    ReplyError,
    RequestError,
    TimedOut,
)

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.scope.scope import Scope
    from drivers.target.target import Target

__all__ = [
    "DriverError",
    "IdentityError",
    "InstrumentError",
    "NotReachable",
    "ReplyError",
    "RequestError",
    "TimedOut",
    "open_scope",
    "open_target",
]

DEFAULT_TIMEOUT_S = 2.0


def open_scope(
    resource: str,
    dialect: str | Path,
    *,
    expected_idn: str | None = None,
    visa_library: str = "@py",
    timeout_s: float = DEFAULT_TIMEOUT_S,
    leave_as_found: bool = False,
    note_panel: bool = False,
) -> Scope:
    """The scope at the VISA address `resource`, identified and ready to be set up.

    Args:
        resource: e.g. "TCPIP::scope-3.lab::hislip0::INSTR" or "TCPIP::10.0.0.3::5025::SOCKET".
        dialect: a shipped name ("scpi-1999") or the path of a dialect file.
        expected_idn: if given, what its `*IDN?` answer must be: the whole of it, or some of its four
            fields with the others left empty, e.g. ",,SN-1042,".
        visa_library: "@py", or whatever PyVISA takes for another VISA library.
        timeout_s: how long an answer may take unless the dialect says otherwise.
        leave_as_found: read every setting before anything is changed, and bring it back on closing
            (`Scope.put_back` says what could not be).
        note_panel: read every setting before anything is changed (`Scope.found`) and once more on closing,
            when all is done (`Scope.left`).

    Raises:
        RequestError: no such dialect, a fault in it, or an address that cannot be one.
        NotReachable, TimedOut: nothing answers there.
        IdentityError: another instrument answers.
    """
    from drivers.scope.connecting import connect  # loads pyvisa and numpy

    return connect(
        resource,
        dialect,
        expected_idn=expected_idn,
        visa_library=visa_library,
        timeout_s=timeout_s,
        leave_as_found=leave_as_found,
        note_panel=note_panel,
    )


def open_target(url: str, baud: int, frame: object = "8N1") -> Target:
    """The serial link at `url`: a device path or any pyserial URL (`socket://`, `rfc2217://`, ...).

    Args:
        frame: "8N1" or anything whose str() has that form.

    Raises:
        RequestError: the link cannot be set so (say, parity on a pseudo-terminal).
        NotReachable: nothing is there, or it is in use.
    """
    from drivers.target.target import Target  # loads pyserial

    return Target(url, baud, str(frame))
