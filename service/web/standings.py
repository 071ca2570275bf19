"""What a station may be used for, as JSON."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from service.room.standing import Standing


class EventOut(BaseModel):
    """Something that happened to a station since its last check."""

    at: str
    what: Annotated[str, Field(examples=["not-reachable", "item-moved", "settings-changed", "run-failed"])]
    words: str


class StandingOut(BaseModel):
    """What a station may be used for now: its last check, as far as nothing has happened since."""

    outcome: Literal["ready", "practice-only", "not-usable", "not-seen"]
    grading: Annotated[bool, Field(description="Whether a run that counts may be done there.")]
    because: str
    first_step: str
    steps: Annotated[list[str], Field(description="What else is to be done, after the first.")]
    broken_by: list[EventOut]
    valid_until: Annotated[str | None, Field(description="When it ends by itself.")]


def standing_out(standing: Standing) -> StandingOut:
    names = set(StandingOut.model_fields) - {"steps", "broken_by"}
    events = [EventOut(at=e.at, what=e.what, words=e.words) for e in standing.broken_by]
    values = {name: getattr(standing, name) for name in names}
    return StandingOut(**values, steps=list(standing.steps), broken_by=events)
