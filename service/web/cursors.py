"""Cursor readings of a finished run: what a person would read off with two cursors, asked for by name."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from service.errors import UnknownCapture
from service.pipeline.cursors import NoSuchInterval, cursor, readings_of
from service.web.dependencies import Parts, problems
from service.web.runs import RunId

router = APIRouter(tags=["runs"])


class CursorOut(BaseModel):
    """One named interval of one character."""

    name: Annotated[str, Field(examples=["start-to-last-edge"])]
    line: str
    index: int
    shot: int
    from_at: Annotated[float, Field(description="Seconds on the axis of the shot, or volts for a level.")]
    to_at: float
    value: float
    u: Annotated[float, Field(description="Expanded uncertainty, k = 2.")]
    unit: str
    bits: Annotated[float | None, Field(description="How many bit times lie between.", examples=[9.0])]
    words: str


@router.get("/runs/{run_id}/cursors", summary="Cursor readings of a character", responses=problems(404, 422))
def show_cursors(
    run_id: RunId,
    wiring: Parts,
    line: Literal["to_target", "from_target"] = "to_target",
    index: Annotated[int, Query(ge=0, description="The character, from 0, all shots in order.")] = 0,
    name: Annotated[str | None, Query(description="One interval only.", examples=["one-bit"])] = None,
) -> list[CursorOut]:
    """All intervals that can be measured at that character of that line, or the named one."""
    document = wiring.store.result(run_id)
    if document is None or "lines" not in document:
        raise UnknownCapture(f"run {run_id} has no lines to read cursors on{'' if document else ' yet'}")
    try:
        found = readings_of(document, line, index) if name is None else [cursor(document, name, line, index)]
    except NoSuchInterval as error:
        raise UnknownCapture(f"run {run_id}: {error}") from None
    return [CursorOut(**dataclasses.asdict(reading)) for reading in found]
