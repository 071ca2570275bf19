"""What a scope can do, as far as its dialect states it or can ask for it."""

from __future__ import annotations

from dataclasses import replace

from drivers.errors import InstrumentError
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect, Reply, Setting
from drivers.scope.settings import MEANINGS, Around, value_from
from drivers.scope.setup import ScopeLimits

ON_THEIR_OWN = ("", "window", "half", "per-division", "interval", "rate")
"""Meanings whose limits do not depend on other settings."""


def limits_of(dialect: Dialect, talk: Conversation) -> ScopeLimits:
    """Asked over `talk` where the dialect has a query for it; None: unknown."""
    points = _limit(dialect, talk, "points", largest=True)
    return ScopeLimits(
        points_max=None if points is None else int(points),
        sample_interval_min_s=_limit(dialect, talk, "interval", largest=False),
        range_min_v=_limit(dialect, talk, "range", largest=False),
        range_max_v=_limit(dialect, talk, "range", largest=True),
    )


def _limit(dialect: Dialect, talk: Conversation, name: str, *, largest: bool) -> float | None:
    """The largest or smallest of OUR values; None where it depends on other settings or is unknown."""
    setting = dialect.setting(name)
    if setting is None or setting.means not in ON_THEIR_OWN or setting.referred != "tip":
        return None
    most = largest != MEANINGS[setting.means].falling
    query = setting.maximum_query if most else setting.minimum_query
    if query is not None:
        return _asked(setting, query, talk)
    fact = setting.maximum if most else setting.minimum
    if fact is None and setting.steps:
        fact = setting.steps[-1] if most else setting.steps[0]
    return None if fact is None else value_from(replace(setting, reply=Reply()), repr(fact), Around())


def _asked(setting: Setting, query: str, talk: Conversation) -> float | None:
    try:
        reply = talk.ask(query)
    except InstrumentError:
        return None  # it has the setting, but cannot tell its limit: then that is unknown
    with talk.parsing(query):
        return value_from(setting, reply, Around())
