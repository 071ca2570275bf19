"""A run's events as they come (server-sent events), to be taken up again where they broke off."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated, Any

import anyio
from fastapi import APIRouter, Depends, Header, HTTPException
from fastapi.sse import EventSourceResponse, ServerSentEvent

from service.access.access import Credentials
from service.errors import BadQuery
from service.journal import EVERY_RUN
from service.run_record import Run
from service.web.dependencies import Parts, problems
from service.web.door import credentials_of
from service.web.runs import RunId

router = APIRouter(tags=["runs"])

LOOK_AGAIN_S = 1.0
"""Runs that another process on this host does are seen by looking, at most this much later."""
RETRY_MS = 2000


def _after(
    run_id: RunId,
    wiring: Parts,
    last_event_id: Annotated[str | None, Header(description="Number of the last event seen.")] = None,
) -> int:
    """Checks before the stream begins: inside it an error could no longer be told from a lost connection.

    204 tells an EventSource that has seen the end to stay away (HTML standard, server-sent events).
    """
    run = wiring.store.read(run_id)
    if last_event_id is not None and not (last_event_id.isascii() and last_event_id.isdigit()):
        raise BadQuery(f"Last-Event-ID {last_event_id[:40]!r} is not the number of an event")
    after = int(last_event_id or 0)
    if run.settled and after > len(wiring.store.events(run_id)):
        raise HTTPException(204)
    return after


After = Annotated[int, Depends(_after)]
Brought = Annotated[Credentials, Depends(credentials_of)]


@router.get(
    "/runs/{run_id}/events",
    summary="What happens to a run",
    response_class=EventSourceResponse,
    responses=problems(400, 404, known={204: {"description": "The end has been seen already."}}),
)
async def follow_run(
    run_id: RunId, after: After, wiring: Parts, brought: Brought
) -> AsyncIterator[ServerSentEvent]:
    """Events `state`, `progress`, `capture`, `look` (what is seen while a person is waited for), and `end` as
    the last; ids count from 1. Where the token is revoked or ends meanwhile, `refused` is the last one, says
    why, and has no id.
    """
    news = asyncio.Event()
    loop = asyncio.get_running_loop()

    def wake(about: str) -> None:
        if about in (run_id, EVERY_RUN):
            loop.call_soon_threadsafe(news.set)

    def look(after: int) -> tuple[str | None, Run, list[tuple[int, dict[str, Any]]]]:
        refused = wiring.access.why_out(brought)
        run = wiring.store.read(run_id)  # before the events: a settled run has no more of them
        return refused, run, wiring.store.events(run_id, after)

    with wiring.journal.watched(wake):
        while True:
            news.clear()
            refused, run, events = await anyio.to_thread.run_sync(look, after)
            if refused is not None:
                last = {"event": "refused", "because": refused}
                yield ServerSentEvent(data=last, event="refused")
                return
            for number, event in events:
                after = number
                yield ServerSentEvent(data=event, event=event["event"], id=str(number), retry=RETRY_MS)
            if run.settled:
                end = {"event": "end", "at": run.finished_at, "state": run.state, "verdict": run.verdict}
                yield ServerSentEvent(data=end, event="end", id=str(after + 1))
                return
            if wiring.journal.closed:
                return
            await _first(news, LOOK_AGAIN_S)


async def _first(news: asyncio.Event, seconds: float) -> None:
    """Wait for news, at most so long."""
    try:
        async with asyncio.timeout(seconds):
            await news.wait()
    except TimeoutError:
        pass
