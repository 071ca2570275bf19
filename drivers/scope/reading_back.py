"""Every setting as the scope has it now. What it made of them counts, not what was asked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from drivers.errors import InstrumentError
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect, Fixed, Setting
from drivers.scope.settings import Around, extract, fill, rounded, same_word, value_from, word_from
from drivers.scope.setup import SAFE_IMPEDANCE_OHM, ChannelSetup, ChannelState, ScopeSetup, ScopeState


@dataclass(frozen=True)
class _Asked:
    """One query with what it is about."""

    about: Setting | Fixed
    channel: str | None
    query: str


class ReadingBack:
    """Reads the settings of one scope by its dialect, all in as few messages as it allows."""

    def __init__(self, dialect: Dialect, conversation: Conversation) -> None:
        self._dialect = dialect
        self._talk = conversation

    def read(self, wanted: ScopeSetup) -> ScopeState:
        """Everything as it is now. What a dialect cannot ask for is taken to be as wanted."""
        asked = self._queries(tuple(wanted.channels), wanted.trigger.source)
        timeouts = [
            row.about.timeout_s for row in asked if isinstance(row.about, Setting) and row.about.timeout_s
        ]
        replies = self._talk.ask_all([row.query for row in asked], timeout_s=max(timeouts, default=None))
        answered = {(row.channel, row.about.name): reply for row, reply in zip(asked, replies, strict=True)}
        with self._talk.parsing("read-back of the settings"):
            for row, reply in zip(asked, replies, strict=True):
                if isinstance(row.about, Fixed):
                    self._must_be(row, reply)
            return self._state_from(answered, wanted)

    def _queries(self, channels: Iterable[str], source: str) -> list[_Asked]:
        rules = self._dialect
        per_channel: tuple[Setting | Fixed, ...] = (*rules.channel_fixed, *rules.channel_settings)
        common: tuple[Setting | Fixed, ...] = (
            *rules.sweep_fixed,
            *rules.sweep_settings,
            *rules.trigger_fixed,
            *rules.trigger_settings,
        )
        wanted = [(about, name, name) for name in channels for about in per_channel]
        all_wanted = [*wanted, *((about, None, source) for about in common)]
        return [
            _Asked(about, channel, fill(about.query, rules.channels[words_of]))
            for about, channel, words_of in all_wanted
            if about.query is not None
        ]

    def _must_be(self, row: _Asked, reply: str) -> None:
        assert isinstance(row.about, Fixed)
        said = extract(reply, row.about.reply)
        if not any(same_word(said, word) for word in row.about.expect):
            raise InstrumentError(
                f"{self._talk.link.address} says {said!r} to {row.query!r} although "
                f"{'; '.join(row.about.write)!r} was sent",
                address=self._talk.link.address,
                command=row.query,
            )

    def _state_from(self, answered: Mapping[tuple[str | None, str], str], wanted: ScopeSetup) -> ScopeState:
        channels = {
            name: self._channel_from(
                {key[1]: reply for key, reply in answered.items() if key[0] == name}, name, asked
            )
            for name, asked in wanted.channels.items()
        }
        replies = {key[1]: reply for key, reply in answered.items() if key[0] is None}
        around = Around(points=wanted.points, interval_s=wanted.sample_interval_s)
        around = replace(around, points=round(self._number("points", replies, wanted.points, around)))
        interval_s = self._number("interval", replies, wanted.sample_interval_s, around)
        around = replace(around, interval_s=interval_s)
        place = self._number("place", replies, wanted.trigger_position, around)
        source = self._word("source", replies, wanted.trigger.source)
        if source in channels:
            around = replace(around, ratio=channels[source].probe_ratio)
        return ScopeState(
            channels=channels,
            sample_interval_s=interval_s,
            points=around.points,
            start_s=0.0 if place == 0 else -place * around.span_s,
            trigger_source=source,
            trigger_level_v=self._number("level", replies, wanted.trigger.level_v, around),
            trigger_slope=self._word("slope", replies, wanted.trigger.slope),
            settings={"points": around.points, "sample_interval_s": interval_s, "trigger_position": place},
        )

    def _channel_from(self, replies: Mapping[str, str], name: str, asked: ChannelSetup) -> ChannelState:
        ratio = self._number("probe", replies, asked.probe_ratio, Around())
        around = Around(ratio=ratio, range_v=asked.range_v)
        range_v = self._number("range", replies, asked.range_v, around)
        around = replace(around, range_v=range_v)
        if "on" in replies and self._word("on", replies, "on") != "on":
            raise InstrumentError(
                f"{self._talk.link.address}: ch{name} was switched on and reads back as off",
                address=self._talk.link.address,
            )
        return ChannelState(
            name=name,
            range_v=range_v,
            offset_v=self._number("offset", replies, asked.offset_v, around),
            probe_ratio=ratio,
            coupling=self._word("coupling", replies, asked.coupling),
            impedance_ohm=self._impedance(replies, name, asked.impedance_ohm),
        )

    def _impedance(self, replies: Mapping[str, str], name: str, asked_ohm: float) -> float:
        setting = self._dialect.setting("impedance")
        if setting is None:
            assert self._dialect.input_ohm is not None
            return self._dialect.input_ohm
        reply = replies.get("impedance")
        if reply is None:
            return asked_ohm
        if setting.words:
            said = extract(reply, setting.reply)
            wanted = "high" if asked_ohm == SAFE_IMPEDANCE_OHM else "low"
            ohm = asked_ohm if any(same_word(said, word) for word in setting.words[wanted]) else math.nan
        else:
            ohm = value_from(setting, reply, Around())
        if not math.isclose(ohm, asked_ohm, rel_tol=0.05):
            words = "1 megohm" if asked_ohm == SAFE_IMPEDANCE_OHM else f"{asked_ohm:g} ohm"
            raise InstrumentError(
                f"{self._talk.link.address}: the input of ch{name} was set to {words} and reads back as "
                f"{reply!r}; take the probe off: a 50 ohm input can be damaged by logic levels",
                address=self._talk.link.address,
            )
        return ohm

    def _number(self, name: str, replies: Mapping[str, str], wanted: float, around: Around) -> float:
        setting = self._dialect.setting(name)
        if setting is None:
            return wanted
        return (
            value_from(setting, replies[name], around)
            if name in replies
            else rounded(setting, wanted, around)
        )

    def _word(self, name: str, replies: Mapping[str, str], wanted: str) -> str:
        setting = self._dialect.setting(name)
        return word_from(setting, replies[name]) if setting is not None and name in replies else wanted
