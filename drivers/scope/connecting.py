"""Opening a scope: its dialect is read, its link made, and both put together."""

from __future__ import annotations

from pathlib import Path

from drivers.scope.as_found import Found, read_found
from drivers.scope.conversation import Conversation
from drivers.scope.dialect_reader import load_dialect
from drivers.scope.scope import Scope
from drivers.tape import Tape, taped


def connect(
    resource: str,
    dialect: str | Path,
    *,
    expected_idn: str | None = None,
    visa_library: str = "@py",
    timeout_s: float = 2.0,
    leave_as_found: bool = False,
    note_panel: bool = False,
    tape: Tape | None = None,
) -> Scope:
    """Open the scope over VISA; see `drivers.open_scope`. `tape` keeps what is said and answered."""
    from drivers.link import VisaLink  # pyvisa is loaded when a real link is made, and only then

    rules = load_dialect(dialect)
    conversation = Conversation(rules, expected_idn)
    found: list[Found] = []
    if leave_as_found or note_panel:
        conversation.before_stopping = lambda: found.extend(read_found(rules, conversation))
    link = VisaLink(
        resource,
        visa_library=visa_library,
        timeout_s=timeout_s,
        greet=lambda link: conversation.greet(taped(link, tape)),
        serial_line=rules.serial_line,
    )
    conversation.link = taped(link, tape)
    return Scope(rules, conversation, found=tuple(found), give_back=leave_as_found, note_panel=note_panel)
