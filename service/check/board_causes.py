"""Causes at the board: its boot loader, its firmware, itself; causes.py holds the table."""

from __future__ import annotations

from service.check.diagnosis import SWAP, TURN, Case, Cause, Step, keys
from service.pipeline.findings import DEVICE

RESET_IT = "Press the board's reset, let nobody speak to it for five seconds, then check again."
GOLDEN = Step(TURN, "Load the golden firmware onto the board, or plug the golden board in, then check again.")


def boot_loader(case: Case) -> Cause | None:
    """The golden firmware echoes: a board that says one thing to everything does not run it yet."""
    found = case.having("boot-loader-waiting")
    if not found:
        return None
    spoilt = (f for f in case.findings if f.side == DEVICE)
    also = case.having("differs-from-usual", line="from_target") + case.having("capture-cut")
    return Cause(
        "boot-loader-waiting",
        "The board's boot loader is still waiting: the firmware does not run.",
        "board",
        keys(*found, *(f for f in spoilt if f not in found), *also),
        (
            Step(TURN, RESET_IT),
            Step(TURN, "Look for a program that keeps speaking on the port, and end it."),
            GOLDEN,
            Step(SWAP, "Try another board of the same kind."),
        ),
    )


def named_board(case: Case) -> Cause | None:
    """Bench or board was asked: nobody said that the golden firmware is on this one."""
    found = case.having("board-at-fault")
    if not found:
        return None
    steps = (GOLDEN, Step(SWAP, "Try another board of the same kind."))
    return Cause("board-at-fault", found[0].message, "board", keys(*found), steps)


def other_board(case: Case) -> Cause | None:
    """What the device side shows: on a station the golden firmware is expected."""
    found = tuple(f for f in case.findings if f.side == DEVICE)
    if not found:
        return None
    also = case.having("differs-from-usual", "swing-off", line="from_target") + case.having("capture-cut")
    # silence from the first character on may be a board that has not started
    first = (Step(TURN, RESET_IT),) if found[0].code == "echo-missing" else ()
    return Cause(
        "board-not-golden",
        f"The board does not behave as the golden firmware does: {found[0].message}",
        "board",
        keys(*found, *also),
        (*first, GOLDEN, Step(SWAP, "Try another board of the same kind.")),
    )
