"""The scope on trial: each line of its dialect is tried in turn, whatever became of the line before."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from drivers.errors import DriverError, NotReachable
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect
from drivers.scope.scope import Scope
from drivers.tape import Exchange, Tape
from service.commissioning.outcome import FAILS, NOT_TRIED, WORKS, LineResult, NotTried, Seen

MOST_EXCHANGES = 40
"""Of a line that does not simply work: up to where it went wrong ..."""
AFTER_A_FAILURE = 2
"""... and this many beyond it, in which the driver asks the scope why."""


@dataclass
class Trial:
    """What the lines are tried with, and what became of them. `numbers` are timings for the record."""

    dialect: Dialect
    scope: Scope
    tape: Tape
    skip: Collection[str] = ()
    """Lines, or whole tables such as `self_test`, that are left out."""
    tell: Callable[[str], None] = lambda _line: None
    results: list[LineResult] = field(default_factory=list)
    patience_s: float = 10.0
    """How much longer than its own length a forced record may take."""
    numbers: dict[str, float] = field(default_factory=dict)
    taken: dict[str, float] = field(default_factory=dict)
    """Values of the sweep that this scope took: points, interval."""

    _mark: int = 0
    """Where the last line that said anything began: a comparison is about what was said before it."""

    @property
    def talk(self) -> Conversation:
        return self.scope.conversation

    def line(self, name: str, work: Callable[[], Seen]) -> bool:
        """Try one line; whether it works, or works but differs.

        Raises NotReachable when the scope is gone, after the line has been written down.
        """
        self.tell(name)
        mark, start = len(self.tape), time.perf_counter()
        outcome, says, gone = self._tried(name, work)
        if len(self.tape) > mark:
            self._mark = mark
        exchanges = () if outcome in (WORKS, NOT_TRIED) else _telling(self.tape.since(self._mark))
        self.results.append(LineResult(name, outcome, says, time.perf_counter() - start, exchanges))
        if gone is not None:
            raise gone
        return outcome not in (FAILS, NOT_TRIED)

    def _tried(self, name: str, work: Callable[[], Seen]) -> tuple[str, str, NotReachable | None]:
        if name in self.skip or name.split(" ")[0] in self.skip or name.split(".")[0] in self.skip:
            return NOT_TRIED, "left out as you asked", None
        try:
            return (*work(), None)
        except NotTried as reason:
            return NOT_TRIED, str(reason), None
        except NotReachable as error:
            return FAILS, str(error), self._gone()
        except DriverError as error:
            return FAILS, str(error), None

    def _gone(self) -> NotReachable | None:
        """Whether the scope is out of reach altogether, or only did not answer, or hung up over, that."""
        try:
            self.talk.must_answer()
        except NotReachable as silent:
            return silent
        except DriverError:
            return None
        return None


def _telling(turns: tuple[Exchange, ...]) -> tuple[Exchange, ...]:
    """The turns that tell what went wrong: not how the driver found its way back afterwards."""
    failed = next((place for place, turn in enumerate(turns) if turn.error), len(turns))
    return turns[max(failed + 1 - MOST_EXCHANGES, 0) : failed + 1 + AFTER_A_FAILURE]
