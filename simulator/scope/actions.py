"""What commands do that are more than setting a value, and the limits of settings."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from simulator.scope.encoding import encode
from simulator.scope.errors import ScpiError
from simulator.scope.kinds import Limits
from simulator.scope.settings import (
    FEWEST_POINTS,
    LARGEST_CENTRE_V,
    LARGEST_WINDOW_V,
    LONGEST_INTERVAL_S,
    SMALLEST_WINDOW_V,
    ChannelSettings,
)

if TYPE_CHECKING:
    from simulator.scope.call import Call

FORMATS = {"ASC": (0, 10), "INT": (8, 16), "REAL": (32, 64)}
"""Allowed lengths; the first is the default. ASC takes digits 0..10, which do not matter to us."""


def channel_of(call: Call) -> ChannelSettings:
    """The channel that the header names."""
    return call.settings.channels[call.channel - 1]


def byte(_call: Call) -> Limits:
    return 0, 255, 0


def register(_call: Call) -> Limits:
    return 0, 65535, 0


def window_limits(call: Call) -> Limits:
    """Of the vertical window, at the tip."""
    factor = channel_of(call).factor
    return SMALLEST_WINDOW_V * factor, LARGEST_WINDOW_V * factor, 8.0 * factor


def centre_limits(call: Call) -> Limits:
    """Of the centre of the window, and of its ends."""
    most = LARGEST_CENTRE_V * channel_of(call).factor
    return -most, most, 0.0


def end_limits(call: Call) -> Limits:
    most = (LARGEST_CENTRE_V + LARGEST_WINDOW_V / 2) * channel_of(call).factor
    return -most, most, 0.0


def loss_limits(_call: Call) -> Limits:
    return -20.0, 60.0, 0.0


def impedance_limits(_call: Call) -> Limits:
    return 50.0, 1e6, 1e6


def interval_limits(call: Call) -> Limits:
    return call.scope.plan.shortest_interval_s, LONGEST_INTERVAL_S, 1e-6


def points_limits(call: Call) -> Limits:
    most = call.scope.plan.memory_points
    return min(FEWEST_POINTS, most), most, min(1000, most)


def time_limits(call: Call) -> Limits:
    spans = call.settings.sweep.points - 1
    low, high, default = interval_limits(call)
    return low * spans, high * spans, default * spans


def offset_limits(_call: Call) -> Limits:
    return -1e3, 1e3, 0.0


def offset_points_limits(_call: Call) -> Limits:
    return -1e9, 1e9, 0.0


def location_limits(_call: Call) -> Limits:
    return 0.0, 1.0, 0.5


def level_limits(call: Call) -> Limits:
    """As far as the source channel can be moved; without one, the external input's."""
    channel = call.settings.trigger.channel
    factor = call.settings.channels[channel - 1].factor if channel else 1.0
    most = (LARGEST_CENTRE_V + LARGEST_WINDOW_V / 2) * factor
    return -most, most, 0.0


def hysteresis_limits(call: Call) -> Limits:
    _, most, _ = level_limits(call)
    return 0.0, most, call.settings.hysteresis_v()


def set_impedance(call: Call) -> None:
    """50 ohm or 1 Mohm, nothing between."""
    value = cast(float, call.values[0])
    if value not in (50.0, 1e6):
        raise ScpiError(-224, "50 or 1E6 OHM")
    channel_of(call).impedance = value


def set_function(call: Call) -> None:
    """Only the time record of voltage of the channel itself."""
    text = cast(str, call.values[0])
    allowed = {
        f"{time}:{volt}{dc}{number}"
        for time in ("XTIM", "XTIME")
        for volt in ("VOLT", "VOLTAGE")
        for dc in ("", ":DC")
        for number in (f" {call.channel}", "" if call.channel == 1 else f" {call.channel}")
    }
    if text.upper() not in allowed:
        raise ScpiError(-224, text[:20])
    channel_of(call).function = f"XTIMe:VOLTage {call.channel}"


def set_format(call: Call) -> None:
    """Data type and length; both are kept only when they fit."""
    name = cast(str, call.values[0])
    lengths = FORMATS[name]
    length = cast(int, call.values[1]) if len(call.values) > 1 else lengths[0]
    fits = 0 <= length <= lengths[1] if name == "ASC" else length in lengths
    if not fits:
        raise ScpiError(-224, f"{name},{length}")
    form = call.settings.format
    form.data, form.length = name, length


def ask_format(call: Call) -> str:
    return f"{call.settings.format.data},{call.settings.format.length}"


def initiate(call: Call) -> None:
    """INITiate: overlapped, goes on while other commands are carried out."""
    call.scope.acquisition.initiate(call.scope.now())


def set_continuous(call: Call) -> None:
    """ON arms at once and again after each record."""
    call.settings.trigger.continuous = bool(call.values[0])
    if call.values[0] and not call.scope.acquisition.busy:
        initiate(call)


def abort(call: Call) -> None:
    """To idle; with INITiate:CONTinuous ON armed again at once."""
    call.scope.acquisition.abort()
    if call.settings.trigger.continuous:
        initiate(call)


def force(call: Call) -> None:
    call.scope.acquisition.force(call.scope.now())


def bus_trigger(call: Call) -> None:
    """*TRG: counts only when the bus is the source."""
    if call.settings.trigger.source != "BUS":
        raise ScpiError(-211)
    force(call)


def fetch(call: Call) -> bytes:
    """The last record of the channels of the list, one after the other."""
    acquisition, settings = call.scope.acquisition, call.settings
    channels = cast(tuple[int, ...], call.values[0]) if call.values else (1,)
    taken = acquisition.settings_of_record()
    return b",".join(
        encode(acquisition.codes(number), taken.channels[number - 1], settings.format) for number in channels
    )


def read(call: Call) -> bytes:
    """ABORt;INITiate;FETCh?: waits for the record."""
    call.scope.acquisition.abort()
    initiate(call)
    call.wait_until_idle()
    return fetch(call)


def opc(call: Call) -> None:
    call.scope.want_opc()


def ask_opc(call: Call) -> str:
    call.wait_until_idle()
    return "1"


def self_test(call: Call) -> str:
    """0 = passed; a failure also leaves -330 in the queue."""
    if call.scope.plan.self_test:
        call.scope.status.report(-330, f"part {call.scope.plan.self_test}")
    return str(call.scope.plan.self_test)


def all_errors(call: Call) -> str:
    """Every entry of the queue, removed."""
    errors = call.scope.status.errors
    return ",".join(errors.take() for _ in range(max(len(errors), 1)))


def preset_status(call: Call) -> None:
    call.scope.status.operation.preset()
    call.scope.status.questionable.preset()


def set_fault(call: Call) -> None:
    """DIAGnostic:FAULt "name"[,times]."""
    times = cast(float, call.values[1]) if len(call.values) > 1 else 1.0
    call.scope.switches.set(cast(str, call.values[0]), times)


def trigger_changed(call: Call) -> None:
    call.scope.acquisition.trigger_changed(call.scope.now())
