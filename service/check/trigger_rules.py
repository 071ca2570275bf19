"""Why a trigger as it was found cannot work: one rule for each thing that can be wrong, numbers in words.

Pure: from the panel as found and the signal as it is to findings. The rules do not exclude each other; they
stand in the order in which a person would look: source, type, level, slope, coupling, mode, hold-off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from drivers.scope.found_panel import FoundChannel, FoundFixed, FoundPanel
from service.pipeline.findings import Finding, make_finding
from service.pipeline.numbers import quantity
from service.pipeline.readings import LineReading
from service.shots import channel_label

EDGE_OF_SIGNAL = 0.1
"""A level within this part of the swing of one end fires on noise, or not at all (common practice, no
source)."""
SURELY_DEAF_CHARACTERS = 1.0
"""A hold-off shorter than one character cannot make the trigger miss the next one."""


@dataclass(frozen=True)
class Shown:
    """The two levels of a line as the panel found would show them, volts."""

    low_v: float
    high_v: float
    mean_v: float

    @property
    def swing_v(self) -> float:
        return self.high_v - self.low_v

    @property
    def mid_v(self) -> float:
        return (self.low_v + self.high_v) / 2


@dataclass(frozen=True)
class Case:
    """All that the rules look at."""

    panel: FoundPanel
    lines: Mapping[str, LineReading]
    """By channel, from a forced record with traffic (or the reference square wave) under way."""
    roles: Mapping[str, str]
    """Channel -> role."""
    ratios: Mapping[str, float]
    """Channel -> the probe's real factor by the stations file."""
    means_v: Mapping[str, float]
    """Channel -> mean of that record."""
    character_s: float

    @property
    def lively(self) -> tuple[str, ...]:
        """Channels with a signal, the line on which the PC speaks first."""
        order = sorted(self.lines, key=lambda name: self.roles[name] != "to_target")
        return tuple(name for name in order if self.lines[name].levels is not None)

    @property
    def channel(self) -> FoundChannel | None:
        return self.panel.channels.get(self.panel.source or "")

    def shown(self, name: str) -> Shown | None:
        """The line's levels in the volts of the panel as found; None when it shows no signal."""
        levels, found = self.lines[name].levels, self.panel.channels[name]
        if levels is None:
            return None
        scale = (found.ratio or self.ratios[name]) / self.ratios[name]
        scale *= -1.0 if inverted(found) else 1.0
        mean = self.means_v[name] * scale
        shift = mean if found.coupling == "AC" else 0.0
        ends = sorted((levels.low_v * scale - shift, levels.high_v * scale - shift))
        return Shown(ends[0], ends[1], mean - shift)


def explain_trigger(case: Case) -> tuple[Finding, ...]:
    """What is wrong with the trigger as found, in the order of RULES; nothing when it can work."""
    return tuple(finding for rule in RULES for finding in rule(case))


def margin_percent(case: Case) -> float | None:
    """How far the level lies inside the signal, in percent of the swing: 50 the middle, below 0 outside."""
    shown = case.shown(case.panel.source) if case.panel.source else None
    if shown is None or case.panel.level_v is None:
        return None
    inside = min(case.panel.level_v - shown.low_v, shown.high_v - case.panel.level_v)
    return 100.0 * inside / shown.swing_v


def inverted(channel: FoundChannel) -> bool:
    """Whether somebody turned the channel upside down."""
    polarity = channel.fixed.get("polarity")
    return polarity is not None and polarity.right is False


def _listens_to_no_channel(case: Case) -> Iterator[Finding]:
    panel = case.panel
    if panel.source is None and panel.source_said is not None:
        yield make_finding(
            "trigger-source-quiet",
            None,
            f"its source reads {panel.source_said!r}, which is none of the channels: it fires whatever the "
            f"probes show, or never. {_who_speaks(case)}",
            evidence={"source": panel.source_said},
        )


def _source_is_quiet(case: Case) -> Iterator[Finding]:
    source = case.panel.source
    if source is None:
        return
    line, channel = case.lines[source], case.panel.channels[source]
    if channel.on is False or channel.coupling == "ground":
        how = "switched off" if channel.on is False else "coupled to ground inside the scope"
        yield make_finding(
            "trigger-source-quiet",
            case.roles[source],
            f"its source is {channel_label(source)}, which is {how}. {_who_speaks(case)}",
            evidence={"source": source, "on": channel.on, "coupling": channel.coupling},
        )
    elif line.levels is None and case.lively:
        yield make_finding(
            "trigger-source-quiet",
            case.roles[source],
            f"its source is {channel_label(source)}, which stays at {line.flat_v or 0.0:.3g} V. "
            f"{_who_speaks(case)}",
            evidence={"source": source, "flat_v": line.flat_v},
        )


def _type(case: Case) -> Iterator[Finding]:
    yield from _fixed_is_wrong(case, "type", "trigger-type-wrong", "its type reads {said!r}, not {expect}.")


def _level_outside(case: Case) -> Iterator[Finding]:
    source, level = case.panel.source, case.panel.level_v
    shown, margin = case.shown(source) if source else None, margin_percent(case)
    if source is None or level is None or shown is None or margin is None or margin >= 100 * EDGE_OF_SIGNAL:
        return
    side = "below" if level < shown.mid_v else "above"
    where = f"{side} the signal" if margin < 0 else f"so near to its end that noise decides ({margin:.2g} %)"
    yield make_finding(
        "trigger-outside-signal",
        case.roles[source],
        f"the level is {level:.3g} V, the signal on {channel_label(source)} moves between "
        f"{shown.low_v:.3g} V and {shown.high_v:.3g} V: {where}. Half way is {shown.mid_v:.3g} V."
        f"{_factor_words(case, source)}",
        evidence={
            "level_v": level,
            "low_v": shown.low_v,
            "high_v": shown.high_v,
            "mid_v": shown.mid_v,
            "found_ratio": case.panel.channels[source].ratio,
        },
    )


def _slope(case: Case) -> Iterator[Finding]:
    source, panel = case.panel.source, case.panel
    idle_high = case.lines[source].idle_high if source else None
    if source is None or panel.slope_said is None or idle_high is None:
        return
    if inverted(panel.channels[source]):
        idle_high = not idle_high
    right = "falling" if idle_high else "rising"
    if panel.slope != right:
        yield make_finding(
            "trigger-slope-wrong",
            case.roles[source],
            f"it waits for a {panel.slope or repr(panel.slope_said)} edge, the line on "
            f"{channel_label(source)} idles {'high' if idle_high else 'low'}: its first edge is {right}, and "
            "the trigger would come somewhere inside a character.",
            evidence={"slope": panel.slope or panel.slope_said, "right": right},
        )


def _coupling(case: Case) -> Iterator[Finding]:
    yield from _fixed_is_wrong(
        case, "coupling", "trigger-coupling-wrong", "its coupling reads {said!r}, not {expect}."
    )
    yield from _fixed_is_wrong(
        case, "filter", "trigger-coupling-wrong", "its low pass reads {said!r}, not {expect}."
    )
    source, channel = case.panel.source, case.channel
    if source is not None and channel is not None and channel.coupling == "AC":
        yield make_finding(
            "trigger-coupling-wrong",
            case.roles[source],
            f"the input of {channel_label(source)} is AC-coupled: the signal is moved by its own mean, "
            f"{case.means_v[source]:.3g} V, and wanders with the traffic.",
            remedy=f"Set the input of {channel_label(source)} to DC coupling.",
            evidence={"coupling": "AC", "mean_v": case.means_v[source]},
        )


def _never_stops(case: Case) -> Iterator[Finding]:
    for name in ("single", "mode"):
        yield from _fixed_is_wrong(
            case,
            name,
            "trigger-never-stops",
            "continuous running reads {said!r}, single shots need {expect}.",
        )


def _held_off(case: Case) -> Iterator[Finding]:
    found = case.panel.fixed.get("holdoff")
    seconds = found.number if found else None
    if seconds is not None and seconds > SURELY_DEAF_CHARACTERS * case.character_s:
        yield make_finding(
            "trigger-held-off",
            None,
            f"its hold-off is {quantity(seconds, 's', digits=3)}, one character takes "
            f"{quantity(case.character_s, 's', digits=3)}.",
            evidence={"holdoff_s": seconds, "character_s": case.character_s},
        )


def _fixed_is_wrong(case: Case, name: str, code: str, words: str) -> Iterator[Finding]:
    found: FoundFixed | None = case.panel.fixed.get(name)
    if found is not None and found.right is False:
        expect = " or ".join(found.expect)
        yield make_finding(
            code,
            None,
            words.format(said=found.said, expect=expect),
            evidence={"said": found.said, "expect": list(found.expect)},
        )


def _who_speaks(case: Case) -> str:
    if not case.lively:
        return "No channel shows a signal."
    levels = case.lines[case.lively[0]].levels
    assert levels is not None  # that is what lively means
    return (
        f"{channel_label(case.lively[0])} carries a signal between {levels.low_v:.3g} V and "
        f"{levels.high_v:.3g} V."
    )


def _factor_words(case: Case, source: str) -> str:
    found, ratio = case.panel.channels[source].ratio, case.ratios[source]
    if found is None or abs(found - ratio) < 1e-3 * ratio:
        return ""
    return f" The scope takes the {ratio:g}x probe for a {found:g}x one, so that all its volts are off."


RULES: tuple[Callable[[Case], Iterator[Finding]], ...] = (
    _listens_to_no_channel,
    _source_is_quiet,
    _type,
    _level_outside,
    _slope,
    _coupling,
    _never_stops,
    _held_off,
)
