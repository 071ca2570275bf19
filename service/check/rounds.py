"""What one try with the known pattern brought, and the names of the tries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

PRESENT, LOOP_BACK, GOLDEN = "present board", "loop-back", "golden board"
RESTED = "after a rest"
"""The present board once more, after nobody has spoken to it for a while."""


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
    link_codes: tuple[str, ...] = ()
    """Findings on what the link sends, e.g. rate-off."""
    link_percent: float | None = None
    """Its rate against the station's, as the scope measured it."""
    board_percent: float | None = None
    """The same of the board."""

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
