"""What a person is led through: one step after the other, each with its cautions and what is seen now."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.check.cautions import cautions_at
from service.hooks import Look, RunHooks
from service.room_rules import RoomRules, all_of, urgent

LOOK_EVERY_S = 0.4
"""A hand at a trimmer needs two or three looks a second."""
STEP_LIMIT_S = 30 * 60.0
"""A person who was called away comes back within half an hour, or starts again."""
STEADY_LOOKS = 2
"""What is waited for must be seen so often in a row: a tip that slides along a terminal is not there yet."""


@dataclass(frozen=True)
class Step:
    """One thing for two hands."""

    name: str
    """Short, for records: `reference to_target`."""
    text: str
    """What to do, one or two sentences."""
    place: str
    """Out of cautions.AT."""


@dataclass(frozen=True)
class Done:
    """How a step ended."""

    step: Step
    by: str
    """"bench": it was seen; "person": somebody said so."""
    skipped: bool
    look: str
    """What was seen last, when it was seen."""
    values: Mapping[str, Any] = field(default_factory=dict)
    """The numbers of that look."""

    @property
    def seen(self) -> bool:
        return self.by == "bench"

    def as_document(self) -> dict[str, Any]:
        return {"name": self.step.name, "by": self.by, "skipped": self.skipped, "look": self.look}


@dataclass
class Walk:
    """The steps of one check, counted. `planned`: how many there are when nothing is wrong."""

    hooks: RunHooks
    planned: int
    limit_s: float = STEP_LIMIT_S
    done: list[Done] = field(default_factory=list)
    room: RoomRules | None = None
    """Of the station: shown whole at the first step, what is urgent at each."""
    _number: int = 0

    def step(
        self,
        step: Step,
        look: Callable[[], Look],
        *,
        extra: bool = False,
        every_s: float = LOOK_EVERY_S,
        steady: int = STEADY_LOOKS,
    ) -> Done:
        """Show it, look until it is there or a person goes on. `extra`: only because something is wrong.

        Raises:
            NobodyCame, RunCancelled; DriverError as `look`.
        """
        if not extra:
            self._number += 1
        prompt = {
            "text": step.text,
            "name": step.name,
            "step": self._number,
            "of": self.planned,
            "extra": extra,
            "caution": list(cautions_at(step.place)),
            "emergency": list(urgent(self.room) if self.done else all_of(self.room)),
        }
        answer = self.hooks.watch(prompt, self.limit_s, steadied(look, steady), every_s)
        ended = _done(step, answer)
        self.done.append(ended)
        return ended


def steadied(look: Callable[[], Look], looks: int) -> Callable[[], Look]:
    """The same look, which counts as seen only after so many in a row."""
    row = 0

    def again() -> Look:
        nonlocal row
        now = look()
        row = row + 1 if now.seen else 0
        return Look(now.text, now.values, seen=row >= looks)

    return again


def as_documents(done: Sequence[Done]) -> list[dict[str, Any]]:
    """All steps as JSON."""
    return [one.as_document() for one in done]


def _done(step: Step, answer: Mapping[str, Any]) -> Done:
    by = str(answer["by"])
    look = str(answer.get("text", "")) if by == "bench" else ""
    return Done(step, by, bool(answer.get("skip")), look, dict(answer.get("values", {})))
