"""Is it the bench or the board? What was sent, what each line carried and what the PC heard name the part.

The scope at the pins is the referee: it sees what the link really brought to the board and what the board
really answered. The link's own word is the second witness. Rules are tried in order; the first that fits
names the part, says that nothing is wrong, or that it does not know and what to look at next.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.check.diagnosis import DEAF_PERCENT
from service.check.rounds import GOLDEN, LOOP_BACK, PRESENT, RESTED, Round

UNREADABLE = ("framing-error", "parity-error", "line-inverted", "break", "level-out-of-limits")
"""What keeps another receiver than the scope from reading the board; a rate does, when it is far off."""
OFF = "rate-off"
ALIKE_PERCENT = 0.1
"""Two crystals agree within it (each within about 0.01 %: common practice, no source)."""
SURE, LIKELY, UNKNOWN = "sure", "likely", "unknown"


@dataclass(frozen=True)
class Named:
    """What the rounds come to. `part` None: nothing is wrong, or nobody knows (`how` unknown)."""

    part: str | None
    how: str
    words: str
    next_rounds: tuple[str, ...] = ()
    """What would tell more."""


def name_part(rounds: Mapping[str, Round]) -> Named:
    """The part by all rounds so far; the one with the present board must be there."""
    return next(named for rule in RULES if (named := rule(rounds)) is not None)


def _scope(rounds: Mapping[str, Round]) -> Named | None:
    codes = rounds[PRESENT].scope_codes
    if not codes:
        return None
    return Named("scope", SURE, f"It is the scope: {', '.join(codes)}.")


def _nothing(rounds: Mapping[str, Round]) -> Named | None:
    if not rounds[PRESENT].right or rounds[PRESENT].joined:
        return None
    if codes := rounds[PRESENT].board_codes:
        return Named("board", SURE, f"It is the board: every character is echoed, but {', '.join(codes)}.")
    return Named(
        None, SURE, "Neither: what was sent reached the board, was echoed as sent, and was heard by the PC."
    )


def _joined(rounds: Mapping[str, Round]) -> Named | None:
    if not rounds[PRESENT].joined:
        return None
    if rounds[PRESENT].heard_right:
        words = "the two lines are joined (a loop-back wire?); the serial link is good in both directions."
    else:
        words = "the two lines are joined, and still the PC does not hear what it sent."
        return Named("bridge", SURE, f"It is the serial link: {words}")
    return Named("wiring", SURE, f"It is the wiring: {words}")


def _loop_failed(rounds: Mapping[str, Round]) -> Named | None:
    """A loop-back that does not come back as it was sent is the link, whatever else there is."""
    loop = rounds.get(LOOP_BACK)
    if loop is None or loop.heard_right:
        return None
    return Named(
        "bridge", SURE, "It is the serial link: with its two lines joined, the PC does not hear itself."
    )


def _board_unreadable(rounds: Mapping[str, Round]) -> Named | None:
    """The scope can read what no receiver on that line can: the PC hears nonsense by the board's doing."""
    now = rounds[PRESENT]
    if not now.heard_wrong or now.stimulus_wrong:
        return None
    why = [code for code in now.board_codes if code in UNREADABLE]
    if now.board_percent is not None and abs(now.board_percent) > DEAF_PERCENT:
        why.append(f"its rate is {now.board_percent:+.3g} % off")
    if not why:
        return None
    return Named("board", SURE, f"It is the board: what it sends cannot be received ({', '.join(why)}).")


def _time_base(rounds: Mapping[str, Round]) -> Named | None:
    """Both ends off by the same part: the one clock that both readings share is the scope's."""
    now = rounds[PRESENT]
    link, board = now.link_percent, now.board_percent
    if OFF not in now.link_codes or link is None or board is None or abs(link - board) > ALIKE_PERCENT:
        return None
    return Named(
        "scope",
        LIKELY,
        f"Probably the scope: link and board are off by the same {link:+.3g} %, so it is its time base (or "
        "the rate in the stations file is another than theirs).",
    )


def _link_off(rounds: Mapping[str, Round]) -> Named | None:
    """The board agrees with the scope about the rate, the link does not: two clocks of three outvote it."""
    now = rounds[PRESENT]
    link, board = now.link_percent, now.board_percent
    if OFF not in now.link_codes or link is None or board is None or abs(board) > abs(link) / 2:
        return None
    return Named("bridge", SURE, f"It is the serial link: it speaks {link:+.3g} % off its rate.")


def _link_loses(rounds: Mapping[str, Round]) -> Named | None:
    now = rounds[PRESENT]
    if not (now.seen and now.stimulus_wrong):
        return None
    return Named(
        "bridge",
        SURE,
        f"It is the serial link: of {now.sent} characters sent, {now.stimulus_wrong} did not reach the line "
        "as they were.",
    )


def _link_deaf(rounds: Mapping[str, Round]) -> Named | None:
    now = rounds[PRESENT]
    if now.stimulus_wrong or now.echo_wrong or not now.heard_wrong or not now.answered:
        return None
    return Named(
        "bridge",
        SURE,
        "It is the serial link: the board answered right on the line, the PC did not hear it so.",
    )


def _lane_to(rounds: Mapping[str, Round]) -> Named | None:
    now = rounds[PRESENT]
    if now.seen or not now.heard:
        return None
    return Named(
        "probe/to_target",
        LIKELY,
        "It is the bench: the PC is answered, so the board hears it, but the scope sees nothing on the "
        "to-target line. The probe there, or its channel.",
    )


def _lane_from(rounds: Mapping[str, Round]) -> Named | None:
    now = rounds[PRESENT]
    if not now.seen or not now.echo_wrong or not now.heard_right:
        return None
    return Named(
        "probe/from_target",
        LIKELY,
        "It is the bench: the PC hears the right answers, the scope does not show them. The probe on the "
        "from-target line, or its channel.",
    )


def _started(rounds: Mapping[str, Round]) -> Named | None:
    """It echoes after a rest and did not before: what answered first was no firmware yet."""
    rested = rounds.get(RESTED)
    if rested is None or not rested.right or rested.joined:
        return None
    return Named(
        "boot loader",
        SURE,
        "It is the board's boot loader: it was still waiting. After some seconds in which nobody spoke the "
        "firmware runs and echoes everything. Wait so long after each reset and each opening of the port.",
    )


def _still_waiting(rounds: Mapping[str, Round]) -> Named | None:
    rested, golden = rounds.get(RESTED), rounds.get(GOLDEN)
    if rested is None or rested.prompt is None or golden is not None:
        return None
    return Named(
        "boot loader",
        LIKELY,
        "Probably the board's boot loader is still waiting: it says the same to everything, after a rest "
        "too. Press reset and start the firmware; if nothing changes, the firmware answers so by itself.",
        (GOLDEN,),
    )


def _golden_right(rounds: Mapping[str, Round]) -> Named | None:
    golden = rounds.get(GOLDEN)
    if golden is None or not golden.right:
        return None
    return Named("board", SURE, "It is the board: at the same place the golden board echoes everything.")


def _golden_wrong(rounds: Mapping[str, Round]) -> Named | None:
    """Two boards fail alike: what they have in common is the bench."""
    golden, loop = rounds.get(GOLDEN), rounds.get(LOOP_BACK)
    if golden is None:
        return None
    if loop is not None and loop.heard_right:
        return Named(
            "wiring",
            LIKELY,
            "It is the bench: the golden board fails at the same place, the serial link alone is good. The "
            "wires between link and board, their ground, or the board's supply.",
        )
    return Named(
        None,
        UNKNOWN,
        "Don't know: the golden board fails here too, so it is not the present board alone.",
        (LOOP_BACK,) if loop is None else (),
    )


def _board_seen(rounds: Mapping[str, Round]) -> Named | None:
    """Right in, wrong out, both seen at the pins."""
    now = rounds[PRESENT]
    if not now.seen or now.stimulus_wrong or not now.answered or not now.echo_wrong:
        return None
    return Named(
        "board",
        SURE,
        f"It is the board: {now.seen} characters reached it as they were sent, {now.echo_wrong} were not "
        "answered as they should be, and the PC heard it so too.",
    )


def _board_silent(rounds: Mapping[str, Round]) -> Named | None:
    now = rounds[PRESENT]
    if not now.seen or now.stimulus_wrong or now.answered:
        return None
    return Named(
        "board",
        LIKELY,
        "Probably the board: characters reach it, nothing comes back. Its transmit wire could be off, too.",
        (GOLDEN,),
    )


def _loop_right(rounds: Mapping[str, Round]) -> Named | None:
    """The link is good, and before nothing was seen and nothing heard."""
    loop = rounds.get(LOOP_BACK)
    if loop is None or not loop.heard_right:
        return None
    if not loop.seen:
        words = "the link is good, but the scope does not see it speak: the probe on the to-target line."
        return Named("probe/to_target", LIKELY, f"It is the bench: {words}")
    return Named(
        "wiring", LIKELY, "It is the bench: the serial link alone is good; the wires between link and board."
    )


def _dont_know(_rounds: Mapping[str, Round]) -> Named | None:
    return Named(None, UNKNOWN, "Don't know: nothing is seen and nothing is heard.", (LOOP_BACK, GOLDEN))


RULES: tuple[Callable[[Mapping[str, Round]], Named | None], ...] = (
    _scope,
    _loop_failed,
    _time_base,
    _link_off,
    _nothing,
    _joined,
    _link_loses,
    _board_unreadable,
    _link_deaf,
    _lane_to,
    _lane_from,
    _started,
    _still_waiting,
    _golden_right,
    _golden_wrong,
    _board_seen,
    _board_silent,
    _loop_right,
    _dont_know,
)
