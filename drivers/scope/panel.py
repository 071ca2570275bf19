"""The settings of a scope as a whole: set in groups, read back, compared."""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.errors import InstrumentError, RequestError
from drivers.scope.capture import SettingValue
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect, Setting
from drivers.scope.dialect_text import did_you_mean
from drivers.scope.reading_back import ReadingBack
from drivers.scope.settings import Around, commands_for, fill, rounded
from drivers.scope.setup import (
    LOW_IMPEDANCE_OHM,
    SAFE_IMPEDANCE_OHM,
    ChannelSetup,
    Difference,
    ScopeSetup,
    ScopeState,
    TriggerSetup,
)

SAME = 1e-4
"""Settings that differ by less than this part are the same: replies are rounded to a few digits."""


class Panel:
    """Sets and reads the settings of one scope by its dialect."""

    def __init__(self, dialect: Dialect, conversation: Conversation) -> None:
        self._dialect = dialect
        self._talk = conversation
        self._back = ReadingBack(dialect, conversation)

    def set_up(self, setup: ScopeSetup) -> ScopeState:
        """See Scope.set_up."""
        self._check_names(setup)
        rules = self._dialect
        channels = [unit for name in rules.channels for unit in self._channel_units(name, setup)]
        self._talk.tell(channels, settle_s=_longest_settling(rules.channel_settings))
        self._talk.tell(self._sweep_units(setup), settle_s=_longest_settling(rules.sweep_settings))
        self._talk.tell(self._trigger_units(setup), settle_s=_longest_settling(rules.trigger_settings))
        state = self._back.read(setup)
        again = self._units_to_repeat(setup, state)
        if again:
            self._talk.tell(again)
            state = self._back.read(setup)
        return replace(state, differences=_between(_facts(setup), _facts(_as_setup(state))))

    def make_inputs_safe(self, state: ScopeState) -> None:
        """Bring every input that was switched to 50 ohm back to 1 megohm."""
        impedance = self._dialect.setting("impedance")
        low = [name for name, channel in state.channels.items() if _is_low(channel.impedance_ohm)]
        if impedance is not None and low:
            self._talk.tell(
                [u for name in low for u in self._impedance_units(impedance, name, SAFE_IMPEDANCE_OHM)]
            )

    def must_still_be(self, state: ScopeState) -> None:
        """Raises InstrumentError when a setting is not what it was: somebody is at the front panel."""
        as_it_was = _as_setup(state)
        changed = [
            f"{difference.setting} was {difference.asked} and is {difference.got}"
            for difference in _between(_facts(as_it_was), _facts(_as_setup(self._back.read(as_it_was))))
        ]
        if changed:
            raise InstrumentError(
                f"{self._talk.link.address}: settings changed while a shot was under way (is somebody at the "
                f"front panel?), its record cannot be trusted: {'; '.join(changed)}",
                address=self._talk.link.address,
            )

    def _check_names(self, setup: ScopeSetup) -> None:
        known = self._dialect.channels
        for name in (*setup.channels, setup.trigger.source):
            if name not in known:
                raise RequestError(
                    f"dialect {self._dialect.name} has no channel {name!r}{did_you_mean(name, known)}"
                )
        for name, channel in setup.channels.items():
            if self._dialect.setting("impedance") is None and _is_low(channel.impedance_ohm):
                raise RequestError(f"ch{name}: this scope's input cannot be switched to 50 ohm")
            if self._dialect.setting("coupling") is None and channel.coupling != "DC":
                raise RequestError(f"ch{name}: this scope knows no coupling, it is always DC")

    def _channel_units(self, name: str, setup: ScopeSetup) -> list[str]:
        words = self._dialect.channels[name]
        by_name = {setting.name: setting for setting in self._dialect.channel_settings}
        channel = setup.channels.get(name)
        if channel is None:
            return commands_for(by_name["on"], "off", Around(), words)
        units = []
        if impedance := by_name.pop("impedance", None):  # first of all: the rest may bring a signal to it
            units += self._impedance_units(impedance, name, channel.impedance_ohm)
        for fixed in self._dialect.channel_fixed:
            units += [fill(unit, words) for unit in fixed.write]
        around = self._around_channel(channel)
        values = _channel_values(channel)
        for setting in by_name.values():
            units += commands_for(setting, values[setting.name], around, words)
        return units

    def _impedance_units(self, impedance: Setting, name: str, ohm: float) -> list[str]:
        high = ohm == SAFE_IMPEDANCE_OHM
        value: float | str = ("high" if high else "low") if impedance.words else ohm
        return commands_for(impedance, value, Around(), self._dialect.channels[name])

    def _around_channel(self, channel: ChannelSetup) -> Around:
        around = Around(ratio=channel.probe_ratio, range_v=channel.range_v)
        vertical = self._dialect.setting("range")
        assert vertical is not None  # a dialect without it is refused when it is read
        return replace(around, range_v=rounded(vertical, channel.range_v, around))

    def _sweep_units(self, setup: ScopeSetup) -> list[str]:
        units = [unit for fixed in self._dialect.sweep_fixed for unit in fixed.write]
        around = Around(points=setup.points, interval_s=setup.sample_interval_s)
        values = {
            "points": float(setup.points),
            "interval": setup.sample_interval_s,
            "place": setup.trigger_position,
        }
        chosen = {}
        for name in ("points", "interval", "place"):
            setting = self._dialect.setting(name)
            assert setting is not None
            chosen[name] = commands_for(setting, values[name], around, {})
            if name == "points":
                around = replace(around, points=round(rounded(setting, values[name], around)))
            elif name == "interval":
                around = replace(around, interval_s=rounded(setting, values[name], around))
        return units + [unit for setting in self._dialect.sweep_settings for unit in chosen[setting.name]]

    def _units_to_repeat(self, setup: ScopeSetup, state: ScopeState) -> list[str]:
        """Settings that are said in terms of others, where the scope itself made something else of those."""
        units: list[str] = []
        offset, place = self._dialect.setting("offset"), self._dialect.setting("place")
        assert offset is not None  # a dialect without them is refused when it is read
        assert place is not None
        for name, channel in state.channels.items():
            meant = self._around_channel(setup.channels[name])
            if offset.unit == "div" and not math.isclose(meant.range_v, channel.range_v, rel_tol=SAME):
                around = replace(meant, range_v=channel.range_v)
                units += commands_for(
                    offset, setup.channels[name].offset_v, around, self._dialect.channels[name]
                )
        around = Around(points=state.points, interval_s=state.sample_interval_s)
        said = commands_for(place, setup.trigger_position, around, {})
        return units if said[-1] in self._sweep_units(setup) else [*units, *said]

    def _trigger_units(self, setup: ScopeSetup) -> list[str]:
        trigger = setup.trigger
        words = self._dialect.channels[trigger.source]
        ratio = setup.channels[trigger.source].probe_ratio if trigger.source in setup.channels else 1.0
        values: dict[str, float | str] = {
            "source": trigger.source,
            "slope": trigger.slope,
            "level": trigger.level_v,
        }
        units = [fill(unit, words) for fixed in self._dialect.trigger_fixed for unit in fixed.write]
        for setting in self._dialect.trigger_settings:
            units += commands_for(setting, values[setting.name], Around(ratio=ratio), words)
        return units


def _is_low(ohm: float) -> bool:
    return ohm < 10 * LOW_IMPEDANCE_OHM


def _channel_values(channel: ChannelSetup) -> dict[str, float | str]:
    return {
        "on": "on",
        "coupling": channel.coupling,
        "probe": channel.probe_ratio,
        "range": channel.range_v,
        "offset": channel.offset_v,
    }


def _as_setup(state: ScopeState) -> ScopeSetup:
    """The setup that would ask for exactly this state."""
    return ScopeSetup(
        channels={
            name: ChannelSetup(
                channel.range_v,
                channel.offset_v,
                channel.probe_ratio,
                channel.coupling,
                LOW_IMPEDANCE_OHM if _is_low(channel.impedance_ohm) else SAFE_IMPEDANCE_OHM,
            )
            for name, channel in state.channels.items()
        },
        sample_interval_s=state.sample_interval_s,
        points=state.points,
        trigger_position=float(state.settings["trigger_position"]),
        trigger=TriggerSetup(state.trigger_source, state.trigger_level_v, state.trigger_slope),
    )


def _facts(setup: ScopeSetup) -> dict[str, SettingValue]:
    """Every setting by a name for people."""
    facts: dict[str, SettingValue] = {}
    for name, channel in setup.channels.items():
        for field in ("range_v", "offset_v", "probe_ratio", "coupling"):
            facts[f"ch{name} {field}"] = getattr(channel, field)
    facts |= {
        "sample_interval_s": setup.sample_interval_s,
        "points": setup.points,
        "trigger_position": setup.trigger_position,
        "trigger source": setup.trigger.source,
        "trigger slope": setup.trigger.slope,
        "trigger level_v": setup.trigger.level_v,
    }
    return facts


def _between(asked: dict[str, SettingValue], got: dict[str, SettingValue]) -> tuple[Difference, ...]:
    """Where the two differ by more than rounding; offsets and levels are compared on the scale of the
    ranges."""
    span = max(float(value) for name, value in asked.items() if name.endswith("range_v"))
    return tuple(
        Difference(name, value, got[name])
        for name, value in asked.items()
        if not _same(value, got[name], SAME * span if name.endswith(("offset_v", "level_v")) else 0.0)
    )


def _same(one: SettingValue, other: SettingValue, absolute: float) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    return math.isclose(one, other, rel_tol=SAME, abs_tol=max(absolute, 1e-15))


def _longest_settling(settings: tuple[Setting, ...]) -> float:
    return max((setting.settle_s for setting in settings), default=0.0)
