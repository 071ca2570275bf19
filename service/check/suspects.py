"""Is it the bench or the board? What was sent, what each line carried and what the PC heard name the part.

The scope at the pins is the referee: it sees what the link really brought to the board and what the board
really answered. The link's own word is the second witness. Rules are tried in order; the first that fits
names the part, says that nothing is wrong, or that it does not know and what to look at next.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

PRESENT, LOOP_BACK, GOLDEN = "present board", "loop-back", "golden board"
RESTED = "after a rest"
"""The present board once more, after nobody has spoken to it for a while."""
SURE, LIKELY, UNKNOWN = "sure", "likely", "unknown"


@dataclass(frozen=True)
class Round:
    """One try with the same pattern. Counts are of characters that are not as they were sent."""

    name: str
    sent: int
    seen: int
    """Characters on the to-target line."""
    stimulus_wrong: int
    answered: int
    """Characters on the from-target line."""
    echo_wrong: int
    """Against what the to-target line carried."""
    heard: int
    """Characters that came back to the PC."""
    heard_wrong: int
    """Against what was sent."""
    joined: bool = False
    """Both lines are one node."""
    scope_codes: tuple[str, ...] = ()
    """Findings of the instrument itself."""
    board_codes: tuple[str, ...] = ()
    """Findings on the board's side, e.g. echo-late."""
    prompt: str | None = None
    """What the board says to everything, as hexadecimal digits; None: its answers are no prompt."""

    @property
    def right(self) -> bool:
        """Sent, carried, answered and heard alike."""
        return not (self.stimulus_wrong or self.echo_wrong or self.heard_wrong) and self.seen > 0

    @property
    def may_be_a_start(self) -> bool:
        """Silence, or one answer to everything, where characters did reach the board: it may be starting."""
        lost = self.prompt is not None or not self.answered
        return bool(
            self.seen and not self.stimulus_wrong and lost and not self.joined and not self.heard_right
        )

    @property
    def heard_right(self) -> bool:
        return self.heard > 0 and not self.heard_wrong

    def as_document(self) -> dict[str, Any]:
        return {k: list(v) if isinstance(v, tuple) else v for k, v in vars(self).items()} | {
            "right": self.right
        }


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


def differences(sent: Sequence[int], seen: Sequence[int]) -> int:
    """Edits between two texts: lost, added and changed characters."""
    if list(sent) == list(seen):
        return 0
    blocks = difflib.SequenceMatcher(None, list(sent), list(seen), autojunk=False).get_matching_blocks()
    return max(len(sent), len(seen)) - sum(block.size for block in blocks)


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
        words = "The two lines are joined (a loop-back wire?); the serial link is good in both directions."
    else:
        words = "The two lines are joined, and still the PC does not hear what it sent."
        return Named("bridge", SURE, f"It is the serial link. {words}")
    return Named("wiring", SURE, f"It is the wiring. {words}")


def _loop_failed(rounds: Mapping[str, Round]) -> Named | None:
    """A loop-back that does not come back as it was sent is the link, whatever else there is."""
    loop = rounds.get(LOOP_BACK)
    if loop is None or loop.heard_right:
        return None
    return Named(
        "bridge", SURE, "It is the serial link: with its two lines joined, the PC does not hear itself."
    )


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
        words = "The link is good, but the scope does not see it speak: the probe on the to-target line."
        return Named("probe/to_target", LIKELY, f"It is the bench. {words}")
    return Named(
        "wiring", LIKELY, "It is the bench: the serial link alone is good; the wires between link and board."
    )


def _dont_know(_rounds: Mapping[str, Round]) -> Named | None:
    return Named(None, UNKNOWN, "Don't know: nothing is seen and nothing is heard.", (LOOP_BACK, GOLDEN))


RULES: tuple[Callable[[Mapping[str, Round]], Named | None], ...] = (
    _scope,
    _loop_failed,
    _nothing,
    _joined,
    _link_loses,
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
