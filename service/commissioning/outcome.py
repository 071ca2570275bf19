"""What became of one line of a dialect on a real scope."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.tape import Exchange

WORKS = "works"
DIFFERS = "works but differs"
FAILS = "fails"
NOT_TRIED = "not tried"

Seen = tuple[str, str]
"""An outcome and what was seen, in one sentence."""


@dataclass(frozen=True)
class LineResult:
    """One row of the table."""

    line: str
    """As in the dialect file, with the channel where there are several: "channel.range ch1"."""
    outcome: str
    says: str
    seconds: float
    exchanges: tuple[Exchange, ...] = ()
    """What was said and answered, where the outcome is not the best."""


class NotTried(Exception):
    """A line that cannot be tried here; the message is the reason."""


def worst(outcomes: tuple[str, ...]) -> str:
    """The worst of them; `works` when there are none."""
    return next((outcome for outcome in (FAILS, DIFFERS, WORKS) if outcome in outcomes), WORKS)
