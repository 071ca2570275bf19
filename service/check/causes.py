"""The table of causes: which findings belong together, what is behind them, what to do in which order.

Rules are tried in the order of RULES at the foot: a rule that explains much stands before one that explains a
part of it. Sources: the physics named in each rule; orders of cost are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

from service.check.board_causes import GOLDEN, boot_loader, named_board, other_board
from service.check.diagnosis import DEAF_PERCENT, SET, SWAP, TURN, Case, Cause, Rule, Step, keys
from service.check.probe_causes import (
    NOT_TO_BE_JUDGED,
    REPAIR_SCOPE,
    both_probes,
    clip,
    dead_lane,
    exchanged,
    noise,
    on_reference,
    one_probe,
    shifted_channel,
    too_high,
    trimmer,
)
from service.pipeline.findings import DEVICE, Finding


def time_base(case: Case) -> Cause | None:
    """Both rates off by the same part: the one clock that both measurements share is the scope's."""
    found = case.having("time-base-off")
    if not found:
        return None
    return Cause(
        "scope-clock",
        "Link and board are off by the same amount: not both clocks, but the scope's time base.",
        "scope",
        (*keys(*found), *keys(*case.having("rate-off"))),
        (
            Step(SET, "Look whether the scope runs from an external reference clock; set it to its own."),
            Step(
                SWAP,
                "Check the board and the link at another station: if they are right there, it is this scope.",
            ),
            REPAIR_SCOPE,
        ),
    )


def one_clock(case: Case) -> Cause | None:
    """One end's rate is off while the other agrees with the scope: two clocks of three outvote it."""
    found = case.having("rate-off")
    if len(found) != 1:
        return None
    link = found[0].line == "to_target"
    who = "serial link" if link else "board"
    words = f"The {who}'s bit rate is off; scope and {'board' if link else 'link'} agree with each other."
    steps = (
        Step(SET, "Compare the baud rate of the port with the stations file.") if link else GOLDEN,
        Step(SWAP, "Try another serial adapter." if link else "Try another board of the same kind."),
    )
    # an echo slower than its sender falls behind by itself (N / d characters): correct firmware does too
    rate = case.value(f"{found[0].line}.rate") or 0.0
    behind = case.having("echo-late", "echo-missing", "capture-cut") if link or rate < 0 else ()
    if abs(rate) > DEAF_PERCENT:
        behind = (*behind, *(f for f in case.findings if f.side == DEVICE and f not in (*found, *behind)))
    name, subject = ("bridge-clock", "bridge") if link else ("board-clock", "board")
    return Cause(name, words, subject, keys(*found, *behind), steps)


def lost_on_the_way(case: Case) -> Cause | None:
    """The link does not bring what was sent: the board cannot be judged by it, nor by what it then echoes."""
    found = case.having("stimulus-differs")
    if not found:
        return None
    return Cause(
        "link-loses",
        "The serial link does not bring to the line what was sent.",
        "bridge",
        (*keys(*found), *keys(*(f for f in case.findings if f.side == DEVICE))),
        (
            Step(SET, "Look for another program on the port, flow control, and the port's settings."),
            Step(TURN, "Plug the adapter into another socket, without a hub."),
            Step(SWAP, "Try another serial adapter."),
        ),
    )


def scope_stuck(case: Case) -> Cause | None:
    """A window or a level that cannot be set explains what is clipped or never triggers."""
    found = case.having("setting-refused")
    if not found:
        return None
    spoilt = ("clipped", "trigger-outside-signal", "trigger-misses", "level-out-of-limits", "noisy",
              "swing-off", "differs-from-usual", "probe-undercompensated", "probe-overcompensated",
              "ringing", "capture-cut")  # fmt: skip
    return Cause(
        "scope-stuck",
        "The scope does not keep a setting: what it shows by it cannot be right.",
        "scope",
        (*keys(*case.having("trigger-outside-signal")), *keys(*found), *keys(*case.having(*spoilt))),
        (
            Step(SET, "Unlock the scope's panel; recall its factory settings."),
            Step(TURN, "Switch the scope off and on, then check again."),
            REPAIR_SCOPE,
        ),
    )


def trigger_outside(case: Case) -> Cause | None:
    """A level that cannot be set; or, where the panel is looked at as it was found, one that was left so."""
    found = case.having("trigger-outside-signal")
    if not found:
        return None
    coupled = case.having("trigger-coupling-wrong")
    if coupled:
        return Cause(
            "trigger-coupling",
            "The trigger does not see the signal as it is: its coupling moves it away from the level.",
            "scope",
            keys(*coupled, *found),
            (Step(SET, coupled[0].remedy),),
        )
    if AS_FOUND in case.items:
        words = "The trigger level was left outside the signal: nothing fires."
        return Cause("trigger-level", words, "scope", keys(*found), (Step(SET, found[0].remedy),))
    return Cause(
        "trigger-stuck",
        "The trigger level lies outside the signal and cannot be set: nothing fires.",
        "scope",
        (*keys(*found), *keys(*case.having("setting-refused", "trigger-misses", "clipped"))),
        (
            Step(SET, "Set the trigger level by hand, half way between the levels: does the scope keep it?"),
            Step(TURN, "Switch the scope off and on, then check again."),
            REPAIR_SCOPE,
        ),
    )


def silent_link(case: Case) -> Cause | None:
    found = case.having("link-silent")
    if not found:
        return None
    return Cause(
        "link-silent",
        "Neither line moves and nothing comes back: the link does not reach the board.",
        "bridge",
        (*keys(*found), *keys(*case.having(*NOT_TO_BE_JUDGED))),
        (
            Step(SET, "See whether the port's address is right and no other program holds it."),
            Step(TURN, "Seat both plugs of the serial link and look at the board's power."),
            Step(SWAP, "Try another serial adapter."),
        ),
    )


def undriven(case: Case) -> Cause | None:
    found = case.having("line-undriven")
    if not found:
        return None
    picked_up = case.having(*PICKED_UP, line="from_target")
    return Cause(
        "line-undriven",
        "Nothing drives the from-target line.",
        "board",
        (*keys(*found), *keys(*case.having(*NOT_TO_BE_JUDGED)), *keys(*picked_up)),
        (
            Step(TURN, "Look at the board's power, its reset, and the wire from its transmit pin."),
            Step(TURN, "Seat the tip of the probe on the from-target line."),
            Step(SWAP, "Try the golden board."),
        ),
    )


def bridged(case: Case) -> Cause | None:
    found = case.having("lines-bridged")
    if not found:
        return None
    return Cause(
        "lines-bridged",
        "The two lines are one node: no echo can start before its character has ended.",
        "bench",
        (*keys(*found), *keys(*case.having("differs-from-usual", "echo-missing", "no-activity"))),
        (
            Step(SET, "Switch off a local echo of the serial adapter, if it has one."),
            Step(
                TURN, "Look for a wire or a solder bridge between the two lines, or both probes on one pin."
            ),
        ),
    )


def slow_sampler(case: Case) -> Cause | None:
    """Too few samples a bit on any line: what the scope can do, or is left at."""
    found = case.having("too-few-samples")
    if not found:
        return None
    return Cause(
        "scope-too-slow",
        "The scope does not sample fast enough for the line's bit rate.",
        "scope",
        (*keys(*found), *keys(*case.having("rate-ambiguous", "echo-changed", "framing-error"))),
        (
            Step(SET, "Look for a setting that slows the scope down: memory depth, averaging, interleaving."),
            Step(SWAP, "Use this scope at a station with a slower line."),
        ),
    )


def _alone(code: str, name: str, words: str, subject: str, *steps: Step, also: tuple[str, ...] = ()) -> Rule:
    """A cause that one finding names by itself; those of `also` come with it."""

    def rule(case: Case) -> Cause | None:
        found: tuple[Finding, ...] = case.having(code)
        explains = (*keys(*found), *keys(*case.having(*also)))
        return Cause(name, words, subject, explains, steps) if found else None

    return rule


AS_FOUND = "trigger_faults"
"""Item of the trigger doctor."""
PICKED_UP = ("crosstalk", "glitches", "zero-shifted", "ringing")
"""What a probe shows of its surroundings when nothing drives its line."""

RULES: tuple[Callable[[Case], Cause | None], ...] = (
    too_high,
    _alone("scope-silent", "scope-away", "The scope is not reachable.", "scope",
           Step(SET, "See whether the scope is switched on and its network cable is plugged in."),
           Step(TURN, "See whether its address in the stations file is still the right one.")),
    _alone("identity-changed", "other-scope",
           "Another scope stands there than the one that was commissioned.", "scope",
           Step(SET, "If the exchange was wanted: commission the new scope, and state its identity."),
           Step(SWAP, "Else bring the station's own scope back.")),
    _alone("self-test-failed", "self-test", "The scope's own self-test fails.", "scope",
           Step(TURN, "Switch the scope off and on, then check again."), REPAIR_SCOPE,
           also=("instrument-error",)),
    on_reference,
    silent_link,
    trigger_outside,
    scope_stuck,
    dead_lane,
    undriven,
    bridged,
    both_probes,
    one_probe,
    exchanged,
    time_base,
    shifted_channel,
    trimmer,
    noise,
    clip,
    lost_on_the_way,
    slow_sampler,
    one_clock,
    boot_loader,
    named_board,
    other_board,
)  # fmt: skip
