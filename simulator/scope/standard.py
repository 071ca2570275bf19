"""The language of the open standard: units of a message are looked up in the command tree and carried out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.scope.call import Call
from simulator.scope.commands import TREE
from simulator.scope.errors import ScpiError
from simulator.scope.syntax import Unit, units

if TYPE_CHECKING:
    from simulator.scope.instrument import Conversation


class Standard:
    """SCPI-1999 and IEEE 488.2."""

    between_answers = b";"

    def carry_out(self, conversation: Conversation, message: bytes) -> None:
        """A command error ends the message; after other errors the next unit is carried out."""
        above: tuple[str, ...] = ()
        arbitrary = False
        try:
            for unit in units(message):
                if not unit.is_common:
                    above = _path(unit, above)
                try:
                    arbitrary = carry_out_unit(conversation, unit, above, arbitrary)
                except ScpiError as error:
                    if -200 < error.number <= -100:
                        raise
                    conversation.scope.report(error)
                if not unit.is_common:
                    above = above[:-1]
                conversation.scope.advance()
        except ScpiError as error:
            conversation.scope.report(error)


STANDARD = Standard()


def _path(unit: Unit, above: tuple[str, ...]) -> tuple[str, ...]:
    return unit.words if unit.rooted else above + unit.words


def carry_out_unit(conversation: Conversation, unit: Unit, path: tuple[str, ...], arbitrary: bool) -> bool:
    """One command or question. `arbitrary`: the answer before was arbitrary ASCII, so that no other may
    follow; so it returns."""
    command, channel = (TREE.common(unit.words[0]), 1) if unit.is_common else TREE.find(path)
    call = Call(conversation, channel)
    if not unit.is_query:
        if command.do is None:
            raise ScpiError(-113, "no set form")
        _read_data(unit, call, command.takes, command.needs)
        if command.only_idle and conversation.scope.acquisition.busy:
            raise ScpiError(-221, "a record is being taken")
        command.do(call)
        return arbitrary
    if command.ask is None:
        raise ScpiError(-113, "no query form")
    if arbitrary:
        raise ScpiError(-440)
    _read_data(unit, call, command.ask_takes, command.ask_needs)
    conversation.answer(command.ask(call), asks_progress=command.asks_progress)
    return command.ends_message


def _read_data(unit: Unit, call: Call, kinds: tuple[object, ...], needed: int) -> None:
    if len(unit.data) > len(kinds):
        raise ScpiError(-108, unit.data[len(kinds)].text[:20])
    if len(unit.data) < needed:
        raise ScpiError(-109)
    call.values = [kind.read(datum, call) for kind, datum in zip(kinds, unit.data, strict=False)]  # type: ignore[attr-defined]
