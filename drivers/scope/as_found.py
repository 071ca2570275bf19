"""Leaving a scope as it was found: every setting of its dialect is read before anything is changed, and what
differs at the end is written back and read again.

What a dialect cannot ask for cannot be put back, and it is said: nothing is claimed that was not read. An
input that was found at 50 ohm stays at 1 megohm, on purpose (see SAFE_IMPEDANCE_OHM).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from drivers.errors import InstrumentError, NotReachable, ReplyError, TimedOut
from drivers.scope import scpi
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect, Fixed, Reply, Setting
from drivers.scope.dialect_checks import PLACEHOLDER
from drivers.scope.settings import Around, extract, fill, same_word, value_from, word_from
from drivers.scope.setup import SAFE_IMPEDANCE_OHM, Difference

Thing = Setting | Fixed

SAME = 1e-6
"""A number that is sent with 12 digits and read back differs by its rounding only."""


@dataclass(frozen=True)
class Place:
    """One thing that can be asked for, and its words for one channel."""

    name: str
    about: Thing
    words: Mapping[str, str]

    @property
    def query(self) -> str:
        assert self.about.query is not None
        return fill(self.about.query, self.words)


@dataclass(frozen=True)
class Found:
    """How one thing was. `said` is what stood in the reply; None: it could not be read."""

    place: Place
    said: str | None


def read_found(dialect: Dialect, talk: Conversation) -> tuple[Found, ...]:
    """Everything that the dialect can ask for, as it is now. Raises NotReachable."""
    return tuple(Found(place, _said(talk, place)) for place in places(dialect))


def put_back(found: tuple[Found, ...], talk: Conversation) -> tuple[Difference, ...]:
    """Write back what differs, then read everything again; what is still not as it was, with the reason.

    Raises NotReachable.
    """
    reasons: dict[str, str] = {}
    for was in found:
        now = _said(talk, was.place)
        if was.said is None:
            reasons[was.place.name] = "could not be read when it was found"
        elif now is None or not _same(was.said, now):
            reasons[was.place.name] = _write(was.place, was.said, talk)
    return tuple(
        Difference(was.place.name, was.said or "unknown", _with_reason(now, reasons.get(was.place.name, "")))
        for was, now in [(was, _said(talk, was.place)) for was in found]
        if was.said is None or now is None or not _same(was.said, now)
    )


def places(dialect: Dialect) -> Iterator[Place]:
    """In the order in which things are put back: what others depend on first, what may set the scope off
    last."""
    channel: tuple[Thing, ...] = (*dialect.channel_fixed, *dialect.channel_settings)
    sweep: tuple[Thing, ...] = (*dialect.sweep_fixed, *dialect.sweep_settings)
    trigger: tuple[Thing, ...] = (*dialect.trigger_settings, *dialect.trigger_fixed)
    for name, words in dialect.channels.items():
        yield from (Place(f"ch{name} {about.name}", about, words) for about in channel if about.query)
    yield from (Place(f"sweep {about.name}", about, {}) for about in sweep if about.query)
    for about in trigger:
        if about.query:
            yield from _trigger_places(about, dialect)


def _trigger_places(about: Thing, dialect: Dialect) -> Iterator[Place]:
    """Once, or for each channel where the trigger's commands name one."""
    named = {name for text in (about.query or "", *about.write) for name in PLACEHOLDER.findall(text)}
    if named <= {"value"}:
        yield Place(f"trigger {about.name}", about, {})
        return
    for name, words in dialect.channels.items():
        yield Place(f"trigger {about.name} of ch{name}", about, words)


def _said(talk: Conversation, place: Place) -> str | None:
    try:
        return extract(talk.ask(place.query, timeout_s=_timeout(place.about)), place.about.reply)
    except (InstrumentError, ReplyError, TimedOut):
        return None  # this scope cannot tell, at least not in its present state
    except NotReachable:
        talk.must_answer()  # some hang up over what they do not know
        return None


def _write(place: Place, said: str, talk: Conversation) -> str:
    """Why it could not be written; empty when it was taken."""
    about = place.about
    if isinstance(about, Setting) and about.name == "impedance" and not _is_safe(about, said):
        return "stays at 1 megohm on purpose: logic levels can damage a 50 ohm input"
    units = about.write if isinstance(about, Setting) else about.put_back or _own_way(about, said)
    if not units:
        return "the dialect has no put_back for it"
    value = _value(about, said)
    if isinstance(about, Setting) and not about.words and _garbled(value):
        return "not written back: its answer is not read as a number; mend its reply in the dialect first"
    try:
        talk.tell(
            [fill(unit, {**place.words, "value": value}) for unit in units],
            settle_s=about.settle_s if isinstance(about, Setting) else 0.0,
        )
    except InstrumentError as error:
        return f"refused: {scpi.describe_errors(error.entries)}"
    return ""


def _own_way(about: Fixed, said: str) -> tuple[str, ...]:
    """What the dialect always sends, where that is how it was found."""
    return about.write if any(same_word(said, word) for word in about.expect) else ()


def _is_safe(about: Setting, said: str) -> bool:
    if about.words:
        return any(same_word(said, word) for word in about.words["high"])
    ohm = value_from(replace(about, reply=Reply()), said, Around())
    return math.isclose(ohm, SAFE_IMPEDANCE_OHM, rel_tol=0.05)


def _value(about: Thing, said: str) -> str:
    """As it can be sent: the word of the dialect, the number in its form, or what the scope said itself."""
    try:
        if isinstance(about, Setting) and about.words:
            return about.words[word_from(replace(about, reply=Reply()), said)][0]
        style = about.number if isinstance(about, Setting) else "NRf"
        return scpi.number_text(scpi.parse_number(said), style)
    except ReplyError:
        return said.strip("\"'")


def _garbled(value: str) -> bool:
    """A number among other things. (A bare word, AUTO, may be sent back as it came.)"""
    try:
        scpi.parse_number(value)
    except ReplyError:
        return any(character.isdigit() for character in value)
    return False


def _same(one: str, other: str) -> bool:
    if same_word(one, other):
        return True
    try:
        a, b = scpi.parse_number(one), scpi.parse_number(other)
    except ReplyError:
        return False
    return math.isclose(a, b, rel_tol=SAME, abs_tol=1e-15)


def _with_reason(now: str | None, reason: str) -> str:
    shown = "unknown" if now is None else now
    return f"{shown} ({reason})" if reason else shown


def _timeout(about: Thing) -> float | None:
    return about.timeout_s if isinstance(about, Setting) else None
