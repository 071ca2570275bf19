"""Who gives a command at this machine, for the audit."""

from __future__ import annotations

import getpass
import socket


def made_by() -> str:
    """Such as "command of ada at bench-pc-3"."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):  # an account that the machine has no name for
        user = "somebody"
    return f"command of {user} at {socket.gethostname()}"
