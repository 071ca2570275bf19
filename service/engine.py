"""What the rest of the service asks of whoever does the runs, and what a process is to the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from service.run_record import Run
from service.workers import ALL, Worker, pool_named


class Engine(Protocol):
    """What the rest of the service asks of an engine."""

    def start(self) -> None:
        """Take up what an earlier service left behind."""

    def submit(self, run_id: str) -> None:
        """Have this queued run done when its station's turn comes."""

    def cancel(self, run_id: str) -> Run:
        """Stop a run: at once when it is queued, soon when it is at work. IllegalMove when it is settled."""

    def proceed(self, run_id: str, answer: Mapping[str, Any]) -> Run:
        """A person has done what the run waits for. IllegalMove when it waits for nothing."""

    def move(self, run_id: str) -> Run:
        """Take a run away from a worker that is gone. IllegalMove while that is alive."""

    def serve_again(self, station: str) -> None:
        """The person who was at the bench has given it back: whatever waits has its turn."""

    def queue_of(self, station: str) -> tuple[str, ...]:
        """Ids of the runs that wait, next first."""

    def active_on(self, station: str) -> str | None:
        """Id of the run that is being done."""

    def workers_of(self, stations: Sequence[str]) -> dict[str, Worker]:
        """Who does the runs of each station; a station without anybody is left out."""

    def require_room(self, station: str) -> None:
        """QueueFull when another run would not be taken."""

    @property
    def working(self) -> bool:
        """Whether this process takes part."""

    def close(self) -> None:
        """Finish or put back what is at work; what is queued stays queued."""


@dataclass(frozen=True)
class Post:
    """What this process is in the engine."""

    worker: str
    stations: tuple[str, ...] | None
    """Whose runs it does: these, or all that no other worker has (None)."""
    works: bool = True
    """False: it takes requests only."""
    sole_folder: Path | None = None
    """The data folder, when no second service may work on it."""
    locks: Path = Path()

    @property
    def pools(self) -> tuple[str, ...]:
        if not self.works:
            return ()
        return (ALL,) if self.stations is None else (pool_named(self.worker),)
