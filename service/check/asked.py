"""What of a check was asked for: which parts, and what a person brought along."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from service.errors import BadInput

GUIDED, TRIGGER, WIGGLE, BEFORE_TERM, CHECKER = "guided", "trigger", "wiggle", "before-term", "checker"
BENCH_OR_BOARD = "bench-or-board"
MOST_REPEATS = 50
WITH_A_PERSON = (GUIDED, WIGGLE, BEFORE_TERM, CHECKER)
"""Parts that wait for somebody at the bench; such a run is served like one that a person waits for."""


@dataclass(frozen=True)
class Asked:
    """Everything that a request may say. The defaults: all that can be done with nobody in the room."""

    only: tuple[str, ...] = ()
    set_right: bool = False
    """The trigger doctor may set the trigger."""
    metered_volts: float | None = None
    meter: str | None = None
    alone: bool = False
    """Nobody is at the bench: bench-or-board leaves out what needs hands."""
    repeats: int | None = None
    """The unattended check so many times over, for a baseline."""

    def __post_init__(self) -> None:
        if self.metered_volts is not None and not self.meter:
            raise BadInput("a metered voltage needs the meter that measured it: state its name or number")
        if self.metered_volts is not None and not self.metered_volts > 0:
            raise BadInput(f"the metered voltage must be above zero, was {self.metered_volts:g} V")
        if self.repeats is not None and not 2 <= self.repeats <= MOST_REPEATS:
            raise BadInput(f"repeats must be 2 to {MOST_REPEATS}, was {self.repeats}")
        if self.set_right and TRIGGER not in self.only:
            raise BadInput("only the trigger can be set right: ask for the part trigger with it")

    @property
    def with_a_person(self) -> bool:
        wanted = BENCH_OR_BOARD in self.only and not self.alone
        return wanted or any(name in WITH_A_PERSON for name in self.only)

    def as_request(self) -> dict[str, Any]:
        """For the run's record; what is as usual is left out."""
        told = asdict(self) | {"only": list(self.only)}
        return {name: value for name, value in told.items() if value not in (None, False, [])}


def asked_of(request: Mapping[str, Any]) -> Asked:
    """The way back from `as_request`; `guided` is taken for the part of that name."""
    only = tuple(request.get("only", ()))
    if request.get("guided") and GUIDED not in only:
        only = (*only, GUIDED)
    known = {f.name for f in fields(Asked)} - {"only"}
    return Asked(only=only, **{name: value for name, value in request.items() if name in known})
