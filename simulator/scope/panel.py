"""What a person does at the front panel: a setting is changed without a controller's message.

Settings are named in the words of the open standard, whatever the scope's own language is: it is a hand that
turns a knob. Where the record that is being taken must change for it, the scope begins that record anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.scope.errors import ScpiError
from simulator.scope.standard import carry_out_unit
from simulator.scope.syntax import units

if TYPE_CHECKING:
    from simulator.scope.instrument import Scope

BUSY = -221


def touch(scope: Scope, message: str) -> None:
    """Change these settings, `INP2:COUP AC;:TRIG:LEV -2`; ScpiError for what the panel does not have."""
    from simulator.scope.instrument import Conversation  # they know each other

    hand = Conversation(scope)
    above: tuple[str, ...] = ()
    for unit in units(message.encode("latin-1")):
        if not unit.is_common:
            above = unit.words if unit.rooted else above + unit.words
        try:
            carry_out_unit(hand, unit, above, False)
        except ScpiError as error:
            if error.number != BUSY or not scope.acquisition.busy:
                raise
            scope.acquisition.abort()
            carry_out_unit(hand, unit, above, False)
            scope.acquisition.initiate(scope.now())
        above = above[:-1] if not unit.is_common else above
