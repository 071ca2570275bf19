"""The serial link as a second witness: what it heard against what the record of the same shot shows.

A probe that loses contact for a moment makes a line look as if it had been held low: a break, characters that
are gone or spoilt. The link has wires of its own. Where it heard what the record denies, the two contradict
each other and the record is not to be trusted - unless a second record shows the same again: a contact is not
lost twice at the same place of the traffic, a firmware does the same thing twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.pipeline.echoes import OK
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, ReadShot
from service.pipeline.findings import FAIL, WARNING, Finding, make_finding
from service.pipeline.phrases import line_words, many
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY, Characters
from service.pipeline.verdict import Judgement

OTHER_CAUSES = ("noisy", "too-few-samples", "lines-bridged", "line-undriven", "rate-ambiguous")
"""Findings that say already why the record cannot be believed: another record would be no better."""

NEARLY_ALL = 0.9
"""Of what two records hold against a firmware; so large that a single difference among a few counts."""

Fault = tuple[str, int | None, int | None, int | None]
"""Status, place among the sent characters, sent and echoed value."""


@dataclass(frozen=True)
class Contradiction:
    """A record that says of the firmware what the link denies."""

    role: str
    """The line whose record cannot be right."""
    faults: tuple[Fault, ...]
    breaks: tuple[tuple[int, float], ...]
    """Characters before each break, and how long after the end of the last of them it began, seconds."""
    character_s: float
    seen: int
    heard: int
    right: bool
    """The link heard the echo of what was sent, all of it and no more."""

    def same_as(self, other: Contradiction) -> bool:
        """True when two records show the same at the same places, nearly all of it: then it was no contact.

        Of thousands of wrong frames a few come out differently each time (a 0x00 without its stop bit is a
        break now and then); what a contact loses comes at no place twice.
        """
        mine, theirs = dict(self.breaks), dict(other.breaks)
        near = [at for at in mine.keys() & theirs if abs(mine[at] - theirs[at]) < self.character_s]
        shared = len({*self.faults} & {*other.faults}) + len(near)
        all_of_them = len({*self.faults, *other.faults}) + len(mine.keys() | theirs)
        return self.role == other.role and shared >= NEARLY_ALL * all_of_them


def contradiction(judgement: Judgement, sent: bytes, heard: bytes) -> Contradiction | None:
    """What the record of one shot holds against firmware or adapter in spite of the link; None where they
    agree.

    Args:
        judgement: of that shot alone.
        sent: what the PC wrote for it.
        heard: all that the link brought meanwhile; a break counts as 0x00, as a receiver without break
            detection delivers it (common practice, no source).
    """
    shot = judgement.shots[0]
    to, back = shot.to_target.characters, shot.from_target.characters
    faults = tuple(
        (e.status, e.sent_index, e.sent, e.echoed) for e in judgement.echoes if e.judged and e.status != OK
    )
    faults += _misframed(back)
    never = _never_said(to, back, sent, heard)
    if not (len(back) or never):
        return None  # a line that was seen at rest was seen: a link may echo by itself
    faults = faults or never
    if not (faults or _breaks(back)):
        return None
    role = None if _explained(judgement) else _denied(shot, sent, heard)
    if role is None:
        return None
    doubted = shot.line(role).characters
    lasts = np.median(np.concatenate((to.end_s - to.start_s, back.end_s - back.start_s)))
    return Contradiction(
        role, faults, _breaks(doubted), float(lasts), len(doubted), len(heard), heard == sent
    )


def _explained(judgement: Judgement) -> bool:
    return any(f.code in OTHER_CAUSES and f.severity == FAIL for f in judgement.findings)


def _denied(shot: ReadShot, sent: bytes, heard: bytes) -> str | None:
    """The line of which the link knows better."""
    answered = _spoken(shot.from_target.characters)
    if heard[: len(answered)] != answered:
        return FROM_TARGET  # the record may end before the link does, not the other way round
    if heard == sent and _misframed(shot.from_target.characters):
        # a gap over a stop bit alone: a receiver may forgive it, so the second take decides
        return FROM_TARGET
    return TO_TARGET if heard == sent != _spoken(shot.to_target.characters) else None


def _never_said(to: Characters, back: Characters, sent: bytes, heard: bytes) -> tuple[Fault, ...]:
    """What the to-target line shows, where the right echo (as far as it is on record) says otherwise."""
    said = _spoken(to)
    if heard != sent or not sent.startswith(_spoken(back)) or said in sent:
        return ()
    return tuple(("said", at, value, None) for at, value in enumerate(said))


def _spoken(characters: Characters) -> bytes:
    whole = (characters.errors & CUT) == 0
    return bytes(int(v) & 0xFF for v in characters.values[whole])


def _misframed(characters: Characters) -> tuple[Fault, ...]:
    """Whole characters whose parity or stop bit is wrong."""
    bad = ((characters.errors & (FRAMING | PARITY)) != 0) & ((characters.errors & (BREAK | CUT)) == 0)
    return tuple(("misframed", int(at), None, int(characters.values[at])) for at in np.flatnonzero(bad))


def _breaks(characters: Characters) -> tuple[tuple[int, float], ...]:
    places = np.flatnonzero((characters.errors & BREAK) != 0)
    return tuple(
        (int(at), float(characters.start_s[at] - characters.end_s[at - 1]) if at else 0.0) for at in places
    )


def contact_lost(first: Contradiction, second: Contradiction | None) -> Finding | None:
    """What two takes of one shot come to.

    None where both show the same, then the firmware did it; and where the link itself does not call the
    firmware right, then no contact is needed to explain what is wrong.
    """
    if second is not None and (second.same_as(first) or not (first.right and second.right)):
        return None
    if second is None:
        return _finding(first, "taken once more, it was not seen again", WARNING)
    return _finding(first, "taken once more, it showed something else", FAIL)


def denied(only: Contradiction) -> Finding | None:
    """The same of one record that cannot be taken again."""
    return _finding(only, "one record alone does not tell which is wrong", FAIL) if only.right else None


def _finding(found: Contradiction, what: str, severity: str) -> Finding:
    detail = (
        f"the serial link heard {many(found.heard, 'character')}, the record of the {line_words(found.role)} "
        f"shows {many(found.seen, 'character')}, not the same ones; {what}."
    )
    facts = {"heard": found.heard, "seen": found.seen}
    return make_finding("contact-lost", found.role, detail, severity=severity, evidence=facts)
