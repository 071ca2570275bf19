"""Whoever makes a request, as the rest of the service sees them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase

from service.access.roles import MAY_WAIT, MAY_WAIT_ELSE, Reach, right_named
from service.run_record import Run


@dataclass(frozen=True)
class Caller:
    """A token or a session that was made from it; or anybody on this machine while there are no tokens."""

    id: str
    """What the audit calls it."""
    name: str
    role: str
    stations: tuple[str, ...] | None = None
    """Names or patterns; None: all."""
    owner: str | None = None
    """What its runs are marked with; None where nobody can be told from anybody else."""
    by_cookie: bool = False

    @property
    def words(self) -> str:
        """For logs that persons read."""
        return f"{self.name} ({self.id})" if self.owner is not None else "this machine"

    def may(self, right: str) -> Reach:
        """What the matrix of roles says."""
        return right_named(right).of(self.role)

    def reaches(self, station: str) -> bool:
        """Whether the station is one of those that the token is for."""
        return self.stations is None or any(fnmatchcase(station, pattern) for pattern in self.stations)

    def those_of(self, stations: Iterable[str]) -> list[str]:
        """The stations that it reaches."""
        return [name for name in stations if self.reaches(name)]

    def sees(self, run: Run, right: str = "runs") -> bool:
        """Whether the run is there at all for this caller; with another right, whether it may do that."""
        reach = self.may(right)
        own = self.owner is not None and run.owner == self.owner
        return self.reaches(run.station) and (reach == "all" or (reach == "own" and own))

    @property
    def may_wait(self) -> int:
        """How many of its runs may wait at once."""
        return MAY_WAIT.get(self.role, MAY_WAIT_ELSE)


LOOPBACK = Caller("loopback", "anybody on this machine", "admin")
"""While there are no tokens: the service listens on loopback only, and whoever is there may do everything."""
