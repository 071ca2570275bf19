"""Who may do what: one table, RIGHTS, with a reason for each row. service/web/rules.py says what calls need.

"all": for every station and run that the token reaches. "own": only runs that this very token asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Reach = Literal["no", "own", "all"]
ROLES = ("viewer", "submitter", "operator", "grader", "admin")


@dataclass(frozen=True)
class Right:
    """One row: what each role may."""

    name: str
    about: str
    viewer: Reach
    submitter: Reach
    operator: Reach
    grader: Reach
    admin: Reach
    because: str

    def of(self, role: str) -> Reach:
        """Roles that are none have no rights."""
        return getattr(self, role) if role in ROLES else "no"


RIGHTS: tuple[Right, ...] = (
    Right(
        "room",
        "see stations, plans, schedules, readiness, figures, the description of the interface",
        "all",
        "all",
        "all",
        "all",
        "all",
        "the state of benches says nothing about a person's work",
    ),
    Right(
        "runs",
        "see runs, their results, events, captures and reports",
        "all",
        "own",
        "all",
        "all",
        "all",
        "a viewer is staff or a screen of theirs; whoever hands in work sees nobody else's",
    ),
    Right(
        "ask",
        "ask for echo tests and analyses",
        "no",
        "all",
        "all",
        "all",
        "all",
        "this moves instruments and takes a place in a queue: looking on must not",
    ),
    Right(
        "steer",
        "cancel a run, or say that a person's step is done",
        "no",
        "own",
        "all",
        "own",
        "all",
        "who judges work does not stop the work of others; the operator keeps the room going",
    ),
    Right(
        "operate",
        "checks, schedules, moving runs, things and claims of the room",
        "no",
        "no",
        "all",
        "no",
        "all",
        "it decides what a station may be used for: apart from judging work and from handing it in",
    ),
    Right(
        "manage",
        "make, list and revoke tokens, read the audit",
        "no",
        "no",
        "no",
        "no",
        "all",
        "who can make tokens can be anybody, and the audit names persons",
    ),
)

ABOUT: dict[str, str] = {
    "viewer": "looks on: staff, a screen in the room, a collector of figures",
    "submitter": "hands in work and sees only what it handed in: a student, a group, a script of theirs",
    "operator": "keeps the room going: checks, schedules, queues",
    "grader": "tests and sees all work, keeps its hands off the room",
    "admin": "everything, tokens and audit too",
}
assert tuple(ABOUT) == ROLES

MAY_WAIT: dict[str, int] = {"submitter": 20}
"""How many runs of one token may wait at once: a loop in one's script must not fill the room's queues."""
MAY_WAIT_ELSE = 1000
"""A whole class handed in at once, a check of all stations."""


def right_named(name: str) -> Right:
    """KeyError when there is none."""
    return {right.name: right for right in RIGHTS}[name]
