"""The command table (standards.md 2.5: STD rows are words of SCPI-1999 vol. 2; DIAGnostic rows are ours:
person_commands.py has what a person can be asked to do).

A newcomer adds a command as one row at the foot. `setting` rows set and answer one attribute of the settings.

Conventions that the standard leaves open:
  - SWEep:TIME = TINTerval x (POINts - 1); sweep settings are common to both channels, the channel number is
    free.
  - SWEep:OREFerence:LOCation L (0..1) is the place of the reference point in the record, SWEep:OFFSet:TIME D
    is reference point minus trigger: sample n lies D + (n - L x (POINts - 1)) x TINTerval after the trigger.
  - CORRection:LOSS (DB) is the probe factor that the scope assumes, while CORRection:STATe is ON. Ranges,
    offsets, levels and readings are referred to the probe tip; ranges and offsets follow a change of the
    factor.
  - VOLTage:RANGe:PTPeak P is the window, :OFFSet O its centre: volts = code x P / 256 + O.
  - Settings of the record: -221 while one is being taken. The trigger may be changed then.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simulator.scope import actions
from simulator.scope.kinds import Boolean, Channels, Choice, Kind, Number, Text, quoted
from simulator.scope.person_commands import PERSON
from simulator.scope.tree import Command, Tree

if TYPE_CHECKING:
    from simulator.scope.call import Call
    from simulator.scope.status import Register

Part = Callable[["Call"], Any]
"""Where an attribute lives."""


def channel(call: Call) -> Any:
    return call.settings.channels[call.channel - 1]


def sweep(call: Call) -> Any:
    return call.settings.sweep


def trigger(call: Call) -> Any:
    return call.settings.trigger


def form(call: Call) -> Any:
    return call.settings.format


def setting(pattern: str, part: Part, attribute: str, kind: Kind, *, do: Part | None = None) -> Command:
    """A row that sets and answers `attribute`; numbers also answer MIN, MAX and DEF."""

    def put(call: Call) -> None:
        setattr(part(call), attribute, call.values[0])
        if part is trigger:
            actions.trigger_changed(call)

    def get(call: Call) -> str:
        return kind.show(call.values[0] if call.values else getattr(part(call), attribute))

    ask_takes = (LimitWord(kind),) if isinstance(kind, Number) else ()
    only_idle = part in (channel, sweep)
    return Command(pattern, do=do or put, takes=(kind,), ask=get, ask_takes=ask_takes, only_idle=only_idle)


class LimitWord:
    """MIN, MAX or DEF after the question mark."""

    def __init__(self, number: Number) -> None:
        self._number = number

    def read(self, datum: Any, call: Any) -> float:
        return self._number.limit(datum, call)

    def show(self, value: Any) -> str:
        return self._number.show(value)


def register_rows(name: str, pick: Callable[[Call], Register]) -> tuple[Command, ...]:
    """The five commands of a SCPI status group."""

    def mask(node: str, attribute: str) -> Command:
        return Command(
            f"STATus:{name}:{node}",
            do=lambda call: setattr(pick(call), attribute, int(call.values[0]) & 0x7FFF),
            takes=(Number(actions.register, integer=True),),
            ask=lambda call: str(getattr(pick(call), attribute)),
        )

    return (
        Command(f"STATus:{name}[:EVENt]", ask=lambda call: str(pick(call).take_event()), asks_progress=True),
        Command(f"STATus:{name}:CONDition", ask=lambda call: str(pick(call).condition), asks_progress=True),
        mask("ENABle", "enable"),
        mask("PTRansition", "positive"),
        mask("NTRansition", "negative"),
    )


def _status_byte(call: Call) -> str:
    return str(call.scope.status.byte(message_available=call.conversation.has_response()))


_BYTE = (Number(actions.byte, integer=True),)

COMMON = (
    Command("*CLS", do=lambda call: call.scope.clear_status()),
    Command(
        "*ESE",
        do=lambda call: setattr(call.scope.status, "event_enable", call.values[0]),
        takes=_BYTE,
        ask=lambda call: str(call.scope.status.event_enable),
    ),
    Command("*ESR", ask=lambda call: str(call.scope.status.take_event()), asks_progress=True),
    Command("*IDN", ask=lambda call: call.scope.identity, ends_message=True),
    Command("*OPC", do=actions.opc, ask=actions.ask_opc),
    Command("*OPT", ask=lambda _call: "0", ends_message=True),
    Command("*RST", do=lambda call: call.scope.reset()),
    Command(
        "*SRE",
        do=lambda call: setattr(call.scope.status, "service_enable", call.values[0]),
        takes=_BYTE,
        ask=lambda call: str(call.scope.status.service_enable),
    ),
    Command("*STB", ask=_status_byte, asks_progress=True),
    Command("*TRG", do=actions.bus_trigger),
    Command("*TST", ask=actions.self_test),
    Command("*WAI", do=lambda call: call.wait_until_idle()),
)

SYSTEM = (
    Command("SYSTem:ERRor[:NEXT]", ask=lambda call: call.scope.status.errors.take()),
    Command("SYSTem:ERRor:COUNt", ask=lambda call: str(len(call.scope.status.errors))),
    Command("SYSTem:ERRor:ALL", ask=actions.all_errors),
    Command("SYSTem:ERRor:CODE[:NEXT]", ask=lambda call: str(call.scope.status.errors.take_number())),
    Command("SYSTem:VERSion", ask=lambda _call: "1999.0"),
    Command("SYSTem:PRESet", do=lambda call: call.scope.reset()),
    Command("STATus:PRESet", do=actions.preset_status),
    *register_rows("OPERation", lambda call: call.scope.status.operation),
    *register_rows("QUEStionable", lambda call: call.scope.status.questionable),
    Command("CALibration[:ALL]", do=lambda _call: None, ask=lambda _call: "0"),
    Command(
        "DIAGnostic:FAULt",
        do=actions.set_fault,
        takes=(Text(), Number(lambda _call: (0, 1e6, 1), integer=True)),
        may_lack=1,
        ask=lambda call: quoted(call.scope.switches.on()),
    ),
)

VERTICAL = (
    setting("INPut#[:STATe]", channel, "on", Boolean()),
    setting("INPut#:COUPling", channel, "coupling", Choice("AC|DC|GROund")),
    setting(
        "INPut#:IMPedance",
        channel,
        "impedance",
        Number(actions.impedance_limits, "OHM"),
        do=actions.set_impedance,
    ),
    setting("INPut#:FILTer[:LPASs][:STATe]", channel, "filtered", Boolean()),
    setting("INPut#:POLarity", channel, "inverted", Choice("NORMal|INVerted")),
    setting("[SENSe#:]CORRection[:STATe]", channel, "corrected", Boolean()),
    setting(
        "[SENSe#:]CORRection:LOSS[:INPut][:MAGNitude]", channel, "loss_db", Number(actions.loss_limits, "DB")
    ),
    setting("[SENSe#:]FUNCtion[:ON]", channel, "function", Text(), do=actions.set_function),
    setting("[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]", channel, "upper_v", Number(actions.end_limits, "V")),
    setting("[SENSe#:]VOLTage[:DC]:RANGe:LOWer", channel, "lower_v", Number(actions.end_limits, "V")),
    setting("[SENSe#:]VOLTage[:DC]:RANGe:PTPeak", channel, "window_v", Number(actions.window_limits, "V")),
    setting("[SENSe#:]VOLTage[:DC]:RANGe:OFFSet", channel, "centre_v", Number(actions.centre_limits, "V")),
)

HORIZONTAL = (
    setting("[SENSe#:]SWEep:TIME", sweep, "time_s", Number(actions.time_limits, "S")),
    setting("[SENSe#:]SWEep:TINTerval", sweep, "interval_s", Number(actions.interval_limits, "S")),
    setting("[SENSe#:]SWEep:POINts", sweep, "points", Number(actions.points_limits, integer=True)),
    setting("[SENSe#:]SWEep:OFFSet:TIME", sweep, "offset_s", Number(actions.offset_limits, "S")),
    setting("[SENSe#:]SWEep:OFFSet:POINts", sweep, "offset_points", Number(actions.offset_points_limits)),
    setting("[SENSe#:]SWEep:OREFerence:LOCation", sweep, "location", Number(actions.location_limits)),
)

TRIGGER = (
    Command("ABORt", do=actions.abort),
    Command("INITiate[:IMMediate]", do=actions.initiate),
    Command(
        "INITiate:CONTinuous",
        do=actions.set_continuous,
        takes=(Boolean(),),
        ask=lambda call: "1" if call.settings.trigger.continuous else "0",
    ),
    Command("TRIGger[:SEQuence][:IMMediate]", do=actions.force),
    setting("TRIGger[:SEQuence]:SOURce", trigger, "source", Choice("IMMediate|BUS|EXTernal|INTernal#|HOLD")),
    setting("TRIGger[:SEQuence]:LEVel", trigger, "level_v", Number(actions.level_limits, "V")),
    setting("TRIGger[:SEQuence]:SLOPe", trigger, "slope", Choice("POSitive|NEGative")),
    setting("TRIGger[:SEQuence]:TYPE", trigger, "type", Choice("EDGE|VIDeo")),
    setting("TRIGger[:SEQuence]:COUPling", trigger, "coupling", Choice("AC|DC")),
    setting("TRIGger[:SEQuence]:FILTer:LPASs[:STATe]", trigger, "filtered", Boolean()),
    setting("TRIGger[:SEQuence]:HOLDoff", trigger, "holdoff_s", Number(lambda _call: (0.0, 10.0, 0.0), "S")),
    Command(
        "TRIGger[:SEQuence]:HYSTeresis",
        do=lambda call: setattr(call.settings.trigger, "hysteresis_set_v", call.values[0]),
        takes=(Number(actions.hysteresis_limits, "V"),),
        ask=lambda call: Number(actions.hysteresis_limits, "V").show(call.settings.hysteresis_v()),
    ),
)

RECORDS = (
    setting("FORMat:BORDer", form, "border", Choice("NORMal|SWAPped")),
    Command(
        "FORMat[:DATA]",
        do=actions.set_format,
        takes=(Choice("ASCii|INTeger|REAL"), Number(lambda _call: (0, 64, 0), integer=True)),
        may_lack=1,
        ask=actions.ask_format,
    ),
    Command("FETCh[:ARRay]:VOLTage[:DC]", ask=actions.fetch, ask_takes=(Channels(),)),
    Command("FETCh", ask=actions.fetch, ask_takes=(Channels(),)),
    Command("READ[:ARRay]:VOLTage[:DC]", ask=actions.read, ask_takes=(Channels(),)),
)

COMMANDS = (*COMMON, *SYSTEM, *VERTICAL, *HORIZONTAL, *TRIGGER, *RECORDS, *PERSON)

TREE = Tree(COMMANDS)
