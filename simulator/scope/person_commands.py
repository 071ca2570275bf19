"""DIAGnostic:PERSon: what a person at the bench is asked to do, through the scope's own port.

For tests and demonstrations only: no driver sends it, every simulated scope understands it. The channel
number stands at PROBe: `DIAG:PERS:PROB2:NODE "reference"`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from simulator.scope.errors import ScpiError
from simulator.scope.kinds import Boolean, Number, Text, nr3, quoted
from simulator.scope.tree import Command

if TYPE_CHECKING:
    from simulator.person import Person
    from simulator.plan import ProbePlan
    from simulator.scope.call import Call


def asked(do: Callable[[Person, Call], Any]) -> Callable[[Call], None]:
    """The command that asks the person; -241 where nobody is at the bench, -224 for what cannot be done."""

    def put(call: Call) -> None:
        if call.scope.person is None:
            raise ScpiError(-241, "nobody is at this bench")
        try:
            do(call.scope.person, call)
        except (KeyError, ValueError) as error:
            raise ScpiError(-224, str(error.args[0])) from None

    return put


def probe(call: Call) -> ProbePlan:
    """The probe of the channel that the header names."""
    return call.scope.inputs[call.channel - 1].plan.probe


def _number(call: Call, place: int = 0) -> float:
    return cast(float, call.values[place])


def _text(call: Call) -> str:
    return cast(str, call.values[0])


def _limits(low: float, high: float, default: float) -> Callable[[Any], tuple[float, float, float]]:
    return lambda _call: (low, high, default)


PERSON = (
    Command(
        "DIAGnostic:PERSon:PROBe#:NODE",
        do=asked(lambda person, call: person.move_probe(call.channel, _text(call))),
        takes=(Text(),),
        ask=lambda call: quoted(probe(call).node),
    ),
    Command(
        "DIAGnostic:PERSon:PROBe#:SWITch",
        do=asked(lambda person, call: person.set_switch(call.channel, int(_number(call)))),
        takes=(Number(_limits(1, 10, 10), integer=True),),
        ask=lambda call: str(probe(call).ratio),
    ),
    Command(
        "DIAGnostic:PERSon:PROBe#:TRIMmer",
        do=asked(lambda person, call: person.turn_trimmer(call.channel, _number(call))),
        takes=(Number(_limits(6.0, 20.0, 12.0)),),
        ask=lambda call: nr3(probe(call).trimmer_pf),
    ),
    Command(
        "DIAGnostic:PERSon:PROBe#:BUMP",
        do=asked(
            lambda person, call: person.bump(call.channel, *map(float, cast("list[float]", call.values)))
        ),
        takes=(Number(_limits(1e-6, 10.0, 1e-3), "S"),),
        may_lack=1,
    ),
    Command(
        "DIAGnostic:PERSon:PROBe#:LEAD",
        do=asked(lambda person, call: person.use_ground_lead(call.channel, _number(call))),
        takes=(Number(_limits(0.0, 1.0, 0.0)),),
        ask=lambda call: nr3(probe(call).ringing),
    ),
    Command(
        "DIAGnostic:PERSon:PANel",
        do=asked(lambda person, call: person.touch_panel(_text(call))),
        takes=(Text(),),
    ),
    Command(
        "DIAGnostic:PERSon:LOOPback",
        do=asked(lambda person, call: person.wire_loopback(bool(call.values[0]))),
        takes=(Boolean(),),
        ask=lambda call: "1" if call.scope.person and call.scope.person.plan.bridged else "0",
    ),
    Command(
        "DIAGnostic:PERSon:BOARd",
        do=asked(
            lambda person, call: person.swap_board(
                _text(call), *map(float, cast("list[float]", call.values[1:]))
            )
        ),
        takes=(Text(), Number(_limits(-5e4, 5e4, 0.0))),
        may_lack=1,
    ),
    Command("DIAGnostic:PERSon:RESet", do=asked(lambda person, _call: person.reset_board())),
    Command("DIAGnostic:PERSon:POWer:CYCLe", do=asked(lambda person, _call: person.power_cycle())),
    Command(
        "DIAGnostic:PERSon:DAYS",
        do=asked(lambda person, call: person.wait_days(_number(call))),
        takes=(Number(_limits(0.0, 1e4, 1.0)),),
        ask=lambda call: nr3(call.scope.person.plan.age_days if call.scope.person else 0.0),
    ),
)
