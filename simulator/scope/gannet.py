"""GANNET of Skerry Instruments (invented): tests/whole/manuals/gannet.md as a table.

Its quirks: sentences joined by `&`, and so their answers; everything vertical is at the connector, and half
of the picture is said; samples come at whole nanoseconds from each other; a row of flags; an input that can
be switched to 50 ohm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from simulator.scope.acquisition import AFTER, BEFORE, IDLE, WAITING
from simulator.scope.encoding import block
from simulator.scope.settings import (
    FEWEST_POINTS,
    LARGEST_CENTRE_V,
    LARGEST_WINDOW_V,
    LONGEST_INTERVAL_S,
    SMALLEST_WINDOW_V,
)
from simulator.scope.vocabulary import (
    Row,
    Vocabulary,
    Words,
    chosen,
    number,
    tell_errors,
    trigger_moved,
    within,
    word_for,
)

if TYPE_CHECKING:
    from simulator.scope.call import Call

YES_NO: Mapping[str, object] = {"yes": True, "no": False}
FEEDS = {"direct": "DC", "blocked": "AC", "earth": "GRO"}
LOADS = {"high": 1e6, "low": 50.0}
SLOPES = {"+": "POS", "-": "NEG"}
REACH_STEP_V = 0.01
COUNT_STEP = 4
COMPLETE, FILLING, WAITS, ENDING = 1, 2, 4, 8
FLAGS = {IDLE: 0, BEFORE: FILLING, WAITING: WAITS, AFTER: ENDING}
MIDDLE_CODE = 128


def vertical_word(name: str, attribute: str, choices: Mapping[str, object]) -> tuple[Row, Row]:
    """Two rows for a channel setting that is one of some words."""

    def put(call: Call, words: Words) -> None:
        setattr(call.vertical, attribute, chosen(words, choices))

    def ask(call: Call, _words: Words) -> str:
        return word_for(getattr(call.vertical, attribute), choices)

    return (
        Row(f"{{channel}}.{name}={{value}}", put, only_idle=True),
        Row(f"{{channel}}.{name}?", ask),
    )


def set_clip(call: Call, words: Words) -> None:
    """What the probe leaves of the voltage."""
    part = within(number(words), 1e-3, 1.0)
    call.vertical.corrected, call.vertical.loss_db = True, -20.0 * math.log10(part)


def set_reach(call: Call, words: Words) -> None:
    """From the middle of the picture to its top, at the connector, in whole hundredths of a volt."""
    wanted = within(number(words), SMALLEST_WINDOW_V / 2, LARGEST_WINDOW_V / 2)
    reach = math.ceil(wanted / REACH_STEP_V - 1e-6) * REACH_STEP_V
    call.vertical.window_v = 2 * reach * call.vertical.factor


def ask_reach(call: Call, _words: Words) -> str:
    return f"{call.vertical.window_v / call.vertical.factor / 2:.9g} V"


def set_middle(call: Call, words: Words) -> None:
    volts = within(number(words), -LARGEST_CENTRE_V, LARGEST_CENTRE_V)
    call.vertical.centre_v = volts * call.vertical.factor


def set_count(call: Call, words: Words) -> None:
    """The next multiple of four."""
    most = call.scope.plan.memory_points // COUNT_STEP * COUNT_STEP
    wanted = within(number(words), min(FEWEST_POINTS, most), most)
    call.settings.sweep.points = math.ceil(wanted / COUNT_STEP - 1e-9) * COUNT_STEP


def set_rate(call: Call, words: Words) -> None:
    """Samples in a millisecond; the interval becomes the next whole number of nanoseconds."""
    shortest = call.scope.plan.shortest_interval_s
    rate = within(number(words), 1e-3 / LONGEST_INTERVAL_S, 1e-3 / shortest)
    call.settings.sweep.interval_s = math.ceil(1e6 / rate - 1e-6) * 1e-9


def set_before(call: Call, words: Words) -> None:
    call.settings.sweep.location = within(number(words), 0.0, 100.0) / 100
    call.settings.sweep.offset_s = 0.0


def set_port(call: Call, _words: Words) -> None:
    call.settings.trigger.source = f"INT{call.channel}"
    trigger_moved(call)


def set_slope(call: Call, words: Words) -> None:
    call.settings.trigger.slope = str(chosen(words, SLOPES))
    trigger_moved(call)


def source_factor(call: Call) -> float:
    return call.settings.channels[(call.settings.trigger.channel or 1) - 1].factor


def set_at(call: Call, words: Words) -> None:
    most = LARGEST_CENTRE_V + LARGEST_WINDOW_V / 2
    call.settings.trigger.level_v = within(number(words), -most, most) * source_factor(call)
    trigger_moved(call)


def now(call: Call, _words: Words) -> None:
    if call.scope.acquisition.can_be_forced:
        call.scope.acquisition.force(call.scope.now())


def ask_flags(call: Call, _words: Words) -> str:
    acquisition = call.scope.acquisition
    return str(COMPLETE if acquisition.has_record else FLAGS[acquisition.state])


def ask_step(call: Call, _words: Words) -> str:
    """Of one code, at the connector."""
    vertical = call.scope.acquisition.settings_of_record().channels[call.channel - 1]
    return f"{vertical.window_v / vertical.factor / 2**call.scope.plan.bits * 1e6:.9g} uV"


def ask_level_of_middle(call: Call, _words: Words) -> str:
    vertical = call.scope.acquisition.settings_of_record().channels[call.channel - 1]
    return f"{vertical.centre_v / vertical.factor:.9g} V"


def ask_bytes(call: Call, _words: Words) -> bytes:
    codes = call.scope.acquisition.codes(call.channel).astype(np.int16) + MIDDLE_CODE
    return block(codes.astype(np.uint8).tobytes())


ROWS = (
    Row("who?", lambda call, _words: call.scope.identity),
    Row("woes?", tell_errors),
    Row("woes=none", lambda call, _words: call.scope.clear_status()),
    Row("well?", lambda call, _words: str(call.scope.plan.self_test)),
    Row("parts?", lambda _call, _words: "none"),
    *vertical_word("show", "on", YES_NO),
    *vertical_word("load", "impedance", LOADS),
    *vertical_word("feed", "coupling", FEEDS),
    *vertical_word("calm", "filtered", YES_NO),
    Row("{channel}.clip={value}", set_clip, only_idle=True),
    Row("{channel}.clip?", lambda call, _words: f"{1 / call.vertical.factor:.9g}"),
    Row("{channel}.reach={value}", set_reach, only_idle=True),
    Row("{channel}.reach?", ask_reach),
    Row("{channel}.middle={value}", set_middle, only_idle=True),
    Row("{channel}.middle?", lambda call, _words: f"{call.vertical.centre_v / call.vertical.factor:.9g} V"),
    Row("both.count={value}", set_count, only_idle=True),
    Row("both.count?", lambda call, _words: str(call.settings.sweep.points)),
    Row("both.most?", lambda call, _words: str(call.scope.plan.memory_points // COUNT_STEP * COUNT_STEP)),
    Row("both.rate={value}", set_rate, only_idle=True),
    Row("both.rate?", lambda call, _words: f"{1e-3 / call.settings.sweep.interval_s:.12g} kHz"),
    Row("both.fastest?", lambda call, _words: f"{1e-3 / call.scope.plan.shortest_interval_s:.12g} kHz"),
    Row("both.before={value}", set_before, only_idle=True),
    Row("both.before?", lambda call, _words: f"{call.settings.sweep.location * 100:.9g}"),
    Row("spark.port={channel}", set_port),
    Row("spark.port?", lambda call, _words: word_for(call.settings.trigger.channel or 1, GANNET.channels)),
    Row("spark.slope={value}", set_slope),
    Row("spark.slope?", lambda call, _words: word_for(call.settings.trigger.slope, SLOPES)),
    Row("spark.at={value}", set_at),
    Row("spark.at?", lambda call, _words: f"{call.settings.trigger.level_v / source_factor(call):.9g} V"),
    Row("go", lambda call, _words: call.scope.acquisition.initiate(call.scope.now())),
    Row("stop", lambda call, _words: call.scope.acquisition.abort()),
    Row("now", now),
    Row("flags?", ask_flags, asks_progress=True),
    Row("{channel}.step?", ask_step),
    Row("{channel}.level128?", ask_level_of_middle),
    Row("{channel}.bytes?", ask_bytes),
)

COMPLAINTS = {
    0: (0, "none"),
    -113: (100, "what is"),
    -121: (101, "no number:"),
    -213: (110, "already under way"),
    -221: (111, "not now"),
    -222: (102, "out of reach:"),
    -224: (102, "out of reach:"),
    -230: (120, "no trace"),
    -240: (900, "see a workshop"),
    -330: (901, "not well"),
}

GANNET: Vocabulary = Vocabulary(
    ROWS, {"left": 1, "right": 2}, COMPLAINTS, between_units="&", between_answers=b"&"
)
