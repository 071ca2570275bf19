"""The front panel as it was found, in our words: what `as_found.read_found` heard, made readable.

Nothing is claimed that was not read: what a dialect cannot ask for, or a scope would not tell, is None. A
word that the dialect does not know (a source that is no channel, a slope that is neither) is None too; what
the scope said stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.errors import ReplyError
from drivers.scope import scpi
from drivers.scope.as_found import Found
from drivers.scope.dialect import Dialect, Fixed, Reply, Setting
from drivers.scope.settings import Around, same_word, value_from, word_from

SWITCHES_FACTOR = "factor"
"""The row of [channel.fixed] that says whether the probe setting counts at all."""


@dataclass(frozen=True)
class FoundFixed:
    """Something that must be as the dialect says, as it was found."""

    name: str
    said: str | None
    expect: tuple[str, ...]

    @property
    def right(self) -> bool | None:
        """None: it could not be read."""
        return None if self.said is None else any(same_word(self.said, word) for word in self.expect)

    @property
    def number(self) -> float | None:
        """What was said, where it is a number."""
        try:
            return None if self.said is None else scpi.parse_number(self.said)
        except ReplyError:
            return None


@dataclass(frozen=True)
class FoundChannel:
    """One channel as it was found; volts as the scope showed them."""

    on: bool | None
    coupling: str | None
    ratio: float | None
    """What the scope took the probe for; 1 where its probe setting was switched off."""
    range_v: float | None
    offset_v: float | None
    fixed: Mapping[str, FoundFixed]


@dataclass(frozen=True)
class FoundPanel:
    """All that the trigger depends on, and when samples are taken."""

    source: str | None
    """The channel that the trigger listened to; None: to none of them, or it was not told."""
    source_said: str | None
    level_v: float | None
    """As the scope showed it: at the tip by the probe factor that it was set to."""
    slope: str | None
    slope_said: str | None
    fixed: Mapping[str, FoundFixed]
    """By the name in the dialect: `type`, `coupling`, `single`, `holdoff`, ..."""
    channels: Mapping[str, FoundChannel]
    points: float | None = None
    interval_s: float | None = None
    """From sample to sample."""
    place: float | None = None
    """Where the trigger lay, as a part of the record; below 0 or above 1 outside of it."""
    sweep_fixed: Mapping[str, FoundFixed] = field(default_factory=dict)


def panel_of(dialect: Dialect, found: tuple[Found, ...]) -> FoundPanel:
    """What was found by `read_found` of the same dialect."""
    said = {one.place.name: one.said for one in found}
    channels = {name: _channel(dialect, name, said) for name in dialect.channels}
    source_said = said.get("trigger source")
    source = _word(dialect.setting("source"), source_said)
    slope_said = said.get("trigger slope", said.get(f"trigger slope of ch{source}"))
    level_said = said.get("trigger level", said.get(f"trigger level of ch{source}"))
    ratio = channels[source].ratio if source in channels else None
    return FoundPanel(
        source=source,
        source_said=source_said,
        level_v=_number(dialect.setting("level"), level_said, Around(ratio=ratio or 1.0)),
        slope=_word(dialect.setting("slope"), slope_said),
        slope_said=slope_said,
        fixed={f.name: _fixed(f, said, f"trigger {f.name}") for f in dialect.trigger_fixed},
        channels=channels,
        **_sweep(dialect, said),
    )


def _sweep(dialect: Dialect, said: Mapping[str, str | None]) -> dict[str, Any]:
    """Each only as far as that was told on which it depends."""
    fixed = {f.name: _fixed(f, said, f"sweep {f.name}") for f in dialect.sweep_fixed}
    points = _number(dialect.setting("points"), said.get("sweep points"), Around())
    around = Around(points=2 if points is None else round(points))
    interval_s = _number(dialect.setting("interval"), said.get("sweep interval"), around)
    place = None
    if points is not None and interval_s is not None and all(f.right is not False for f in fixed.values()):
        around = replace(around, interval_s=interval_s)
        place = _number(dialect.setting("place"), said.get("sweep place"), around)
    return {"points": points, "interval_s": interval_s, "place": place, "sweep_fixed": fixed}


def _channel(dialect: Dialect, name: str, said: Mapping[str, str | None]) -> FoundChannel:
    def of(setting: str) -> str | None:
        return said.get(f"ch{name} {setting}")

    fixed = {f.name: _fixed(f, said, f"ch{name} {f.name}") for f in dialect.channel_fixed}
    ratio = _number(dialect.setting("probe"), of("probe"), Around())
    if SWITCHES_FACTOR in fixed and fixed[SWITCHES_FACTOR].right is False:
        ratio = 1.0
    around = Around(ratio=ratio or 1.0)
    range_v = _number(dialect.setting("range"), of("range"), around)
    around = replace(around, range_v=range_v or 1.0)
    on = _word(dialect.setting("on"), of("on"))
    return FoundChannel(
        on=None if on is None else on == "on",
        coupling=_word(dialect.setting("coupling"), of("coupling")),
        ratio=ratio,
        range_v=range_v,
        offset_v=_number(dialect.setting("offset"), of("offset"), around),
        fixed=fixed,
    )


def _fixed(about: Fixed, said: Mapping[str, str | None], place: str) -> FoundFixed:
    return FoundFixed(about.name, said.get(place), about.expect)


def _word(setting: Setting | None, said: str | None) -> str | None:
    if setting is None or said is None:
        return None
    try:
        return word_from(replace(setting, reply=Reply()), said)
    except ReplyError:
        return None


def _number(setting: Setting | None, said: str | None, around: Around) -> float | None:
    if setting is None or said is None:
        return None
    try:
        return value_from(replace(setting, reply=Reply()), said, around)
    except ReplyError:
        return None
