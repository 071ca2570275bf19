"""CURLEW 12 of Saltmarsh Works (invented): tests/whole/manuals/curlew.md as a table.

Its quirks: one sentence for each message; whatever lies between two steps is taken up to the next; a new pace
keeps it busy for a while; codes of 12 bits stand at the left of 16; a record leaves it in parts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.scope.acquisition import AFTER, BEFORE, IDLE, WAITING
from simulator.scope.encoding import block
from simulator.scope.errors import ScpiError
from simulator.scope.settings import LARGEST_CENTRE_V, LARGEST_WINDOW_V, SMALLEST_WINDOW_V, Settings
from simulator.scope.vocabulary import (
    REFUSED,
    Row,
    Vocabulary,
    Words,
    chosen,
    next_step,
    number,
    one_two_five,
    tell_errors,
    trigger_moved,
    within,
    word_for,
)

if TYPE_CHECKING:
    from simulator.scope.call import Call

DIVISIONS = 10
STRETCHES_MV = one_two_five(1, 20_000)
PACES_MS = one_two_five(1e-4, 1e3)
STORES = (1000, 10_000, 100_000, 1_000_000)
RAISE_STEPS = 100
"""Parts of a division in which the trace can be moved."""
PACE_BUSY_S = 0.05
MOST_HAULED = 20_000
LEADS = (1.0, 10.0, 100.0)
LAMPS = {"1": True, "0": False}
COUPLINGS = {"D": "DC", "A": "AC", "G": "GRO"}
EDGES = {"RISE": "POS", "FALL": "NEG"}
LEADS_DB = {1.0: 0.0, 10.0: 20.0, 100.0: 40.0}
MOODS = {IDLE: "RESTING", BEFORE: "GATHERING", WAITING: "LISTENING", AFTER: "GATHERING"}


def wakes(settings: Settings) -> None:
    """1 V and 0.1 ms for each division, the eye at the first sample."""
    for vertical in settings.channels:
        vertical.input_window_v = 10.0
    settings.sweep.location = 0.0


def set_lead(call: Call, words: Words) -> None:
    ratio = next_step(number(words), LEADS)
    call.vertical.corrected, call.vertical.loss_db = True, LEADS_DB[ratio]


def set_stretch(call: Call, words: Words) -> None:
    """Volts of the window = ten divisions; what the input cannot do is none of the steps."""
    factor = call.vertical.factor
    steps = [
        step
        for step in STRETCHES_MV
        if SMALLEST_WINDOW_V * factor <= step * DIVISIONS / 1e3 <= LARGEST_WINDOW_V * factor
    ]
    call.vertical.window_v = next_step(number(words), steps) * DIVISIONS / 1e3


def ask_stretch(call: Call, words: Words) -> str:
    return f"STRETCH {words['channel']} {call.vertical.window_v * 1e3 / DIVISIONS:.6g}MV"


def set_raise(call: Call, words: Words) -> None:
    """Up by so many millivolts: what lies in the middle is that much lower."""
    most = LARGEST_CENTRE_V * call.vertical.factor
    step = call.vertical.window_v / DIVISIONS / RAISE_STEPS
    call.vertical.centre_v = -round(within(number(words) / 1e3, -most, most) / step) * step


def set_store(call: Call, words: Words) -> None:
    """The pace stays, unless the samples would come too fast for the converter."""
    plan, sweep = call.scope.plan, call.settings.sweep
    sizes = [size for size in STORES if size <= plan.memory_points] or [plan.memory_points]
    record = sweep.interval_s * sweep.points
    sweep.points = int(next_step(number(words), sizes))
    set_pace_ms(call, record * 1e3 / DIVISIONS)


def set_pace_ms(call: Call, pace: float) -> None:
    sweep = call.settings.sweep
    fastest = call.scope.plan.shortest_interval_s * sweep.points * 1e3 / DIVISIONS
    steps = [step for step in PACES_MS if step >= fastest * (1 - 1e-9)]
    sweep.interval_s = next_step(pace, steps) * DIVISIONS / 1e3 / sweep.points


def ask_pace(call: Call, _words: Words) -> str:
    sweep = call.settings.sweep
    return f"{sweep.interval_s * sweep.points * 1e3 / DIVISIONS:.9g} MS/DIV"


def set_ahead(call: Call, words: Words) -> None:
    sweep = call.settings.sweep
    ahead_s = within(number(words) * 1e-6, 0.0, sweep.time_s)
    sweep.location, sweep.offset_s = 0.0, -ahead_s


def set_eye(call: Call, _words: Words) -> None:
    call.settings.trigger.source = f"INT{call.channel}"
    trigger_moved(call)


def ask_eye(call: Call, _words: Words) -> str:
    return word_for(call.settings.trigger.channel or 1, CURLEW.channels)


def set_edge(call: Call, words: Words) -> None:
    call.settings.trigger.slope = str(chosen(words, EDGES))
    trigger_moved(call)


def set_mark(call: Call, words: Words) -> None:
    most = (LARGEST_CENTRE_V + LARGEST_WINDOW_V / 2) * 100
    call.settings.trigger.level_v = within(number(words) / 1e3, -most, most)
    trigger_moved(call)


def cast(call: Call, _words: Words) -> None:
    """Arms anew whatever is under way."""
    call.scope.acquisition.abort()
    call.scope.acquisition.initiate(call.scope.now())


def tug(call: Call, _words: Words) -> None:
    """Triggers now; without a shot under way nobody minds."""
    if call.scope.acquisition.can_be_forced:
        call.scope.acquisition.force(call.scope.now())


def ask_mood(call: Call, _words: Words) -> str:
    acquisition = call.scope.acquisition
    return "LANDED" if acquisition.has_record else MOODS[acquisition.state]


def ask_tape(call: Call, words: Words) -> str:
    """Channel; samples; us before the trigger; samples in a millisecond; mV of step 0; uV of one step."""
    taken = call.scope.acquisition.settings_of_record()
    sweep, vertical = taken.sweep, taken.channels[call.channel - 1]
    fields = (
        words["channel"],
        f"{sweep.points}",
        f"{-sweep.first_s * 1e6:.6f}",
        f"{1e-3 / sweep.interval_s:.12g}",
        f"{vertical.centre_v * 1e3:.9g}",
        f"{vertical.window_v * 1e6 / 2**call.scope.plan.bits:.9g}",
    )
    return ";".join(fields)


def haul(call: Call, words: Words) -> bytes:
    """`count` samples from `first`, counted from 0."""
    first, count = int(number(words, "first")), int(number(words, "count"))
    codes = call.scope.acquisition.codes(call.channel)
    if not (0 <= first < first + count <= len(codes) and count <= MOST_HAULED):
        raise ScpiError(REFUSED, f"{first} {count}")
    left = 16 - call.scope.plan.bits
    return block((codes[first : first + count].astype(">i2") << left).astype(">i2").tobytes())


ROWS = (
    Row("HAIL", lambda call, _words: call.scope.identity),
    Row("GRIEF", tell_errors),
    Row("SOLACE", lambda call, _words: call.scope.clear_status()),
    Row("FEEL", lambda call, _words: str(call.scope.plan.self_test)),
    Row("LEAD {channel} {value}", set_lead, only_idle=True),
    Row("LEAD? {channel}", lambda call, _words: f"{call.vertical.factor:.6g}"),
    Row("STRETCH {channel} {value}", set_stretch, only_idle=True),
    Row("STRETCH? {channel}", ask_stretch),
    Row("RAISE {channel} {value}", set_raise, only_idle=True),
    Row("RAISE? {channel}", lambda call, _words: f"{-call.vertical.centre_v * 1e3:.9g}"),
    Row(
        "COUPLE {channel} {value}",
        lambda call, words: setattr(call.vertical, "coupling", chosen(words, COUPLINGS)),
        only_idle=True,
    ),
    Row("COUPLE? {channel}", lambda call, _words: word_for(call.vertical.coupling, COUPLINGS)),
    Row(
        "LAMP {channel} {value}",
        lambda call, words: setattr(call.vertical, "on", chosen(words, LAMPS)),
        only_idle=True,
    ),
    Row("LAMP? {channel}", lambda call, _words: word_for(call.vertical.on, LAMPS)),
    Row("STORE {value}", set_store, only_idle=True),
    Row("STORE?", lambda call, _words: str(call.settings.sweep.points)),
    Row(
        "PACE {value}",
        lambda call, words: set_pace_ms(call, number(words)),
        only_idle=True,
        busy_s=PACE_BUSY_S,
    ),
    Row("PACE?", ask_pace),
    Row("AHEAD {value}", set_ahead, only_idle=True),
    Row("AHEAD?", lambda call, _words: f"{-call.settings.sweep.first_s * 1e6:.6f}"),
    Row("EYE {channel}", set_eye),
    Row("EYE?", ask_eye),
    Row("EYE.EDGE {value}", set_edge),
    Row("EYE.EDGE?", lambda call, _words: word_for(call.settings.trigger.slope, EDGES)),
    Row("EYE.MARK {value}", set_mark),
    Row("EYE.MARK?", lambda call, _words: f"{call.settings.trigger.level_v * 1e3:.9g}"),
    Row("CAST", cast),
    Row("REEL", lambda call, _words: call.scope.acquisition.abort()),
    Row("TUG", tug),
    Row("MOOD", ask_mood, asks_progress=True),
    Row("TAPE {channel}", ask_tape),
    Row("HAUL {channel} {first} {count}", haul),
)

COMPLAINTS = {
    0: (0, "CONTENT"),
    -113: (3, "NO SUCH WORD"),
    -121: (4, "NOT A NUMBER"),
    -221: (7, "NOT WHILE FISHING"),
    -222: (5, "CANNOT BE"),
    -224: (5, "CANNOT BE"),
    -230: (8, "NOTHING CAUGHT"),
    -240: (20, "INSIDE BROKEN"),
    -330: (21, "NOT WELL"),
}

CURLEW: Vocabulary = Vocabulary(ROWS, {"P": 1, "S": 2}, COMPLAINTS)
