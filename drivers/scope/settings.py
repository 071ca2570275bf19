"""Settings between our words and those of a dialect: pure functions on records and text.

Ours: volts at the probe tip, seconds, a probe ratio, the part of the record before the trigger. Theirs:
whatever the dialect says, in its unit, with its meaning, at the tip or at the input connector.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from drivers.errors import ReplyError, RequestError
from drivers.scope import scpi
from drivers.scope.dialect import UNITS, Reply, Setting
from drivers.scope.dialect_checks import PLACEHOLDER


@dataclass(frozen=True)
class Around:
    """What a conversion may need beside the value: settings that stand in relation to it."""

    ratio: float = 1.0
    range_v: float = 1.0
    points: int = 2
    interval_s: float = 1.0

    @property
    def span_s(self) -> float:
        """First sample to last."""
        return (self.points - 1) * self.interval_s


def fill(text: str, words: Mapping[str, str]) -> str:
    """`text` with its placeholders replaced."""
    return PLACEHOLDER.sub(lambda match: words[match[1]], text)


def commands_for(setting: Setting, value: float | str, around: Around, words: Mapping[str, str]) -> list[str]:
    """The units that set `value` (ours: a number, or a word).

    Raises:
        RequestError: the scope has no such value.
    """
    theirs = _word_for(setting, value) if isinstance(value, str) else _number_for(setting, value, around)
    return [fill(unit, {**words, "value": theirs}) for unit in setting.write]


def rounded(setting: Setting, value: float, around: Around) -> float:
    """Our number for the value that `commands_for` would send: what the scope can be expected to hold."""
    theirs = float(_number_for(setting, value, around))
    return _from_quantity(setting, theirs / setting.factor / UNITS[setting.unit], around)


def value_from(setting: Setting, reply: str, around: Around) -> float:
    """Our number for what the scope answered."""
    try:
        theirs = scpi.parse_number(extract(reply, setting.reply))
    except ReplyError as error:
        error.args = (f"{setting.name}: {error}",)
        raise
    if not math.isfinite(theirs):
        raise ReplyError(f"{setting.name} reads back as {reply!r}", expected="a finite number")
    ours = _from_quantity(setting, theirs / setting.factor / UNITS[setting.unit], around)
    return round(ours) if setting.name == "points" else ours


def word_from(setting: Setting, reply: str) -> str:
    """Our word for what the scope answered."""
    said = extract(reply, setting.reply)
    for ours, theirs in setting.words.items():
        if any(same_word(said, word) for word in theirs):
            return ours
    known = ", ".join(word for theirs in setting.words.values() for word in theirs)
    raise ReplyError(f"{setting.name} reads back as {said!r}", reply=reply.encode("latin-1"), expected=known)


def same_word(said: str, word: str) -> bool:
    """Equal but for case and quotes, or equal as numbers (`+1.0` is `1`)."""
    bare = said.strip().strip("\"'")
    if bare.casefold() == word.casefold():
        return True
    try:
        return scpi.parse_number(bare) == scpi.parse_number(word)
    except ReplyError:
        return False


def extract(reply: str, where: Reply) -> str:
    """The part of a reply in which the value stands."""
    text = reply.strip()
    if where.header:
        text = text.rpartition(" ")[2]
    if where.item is not None:
        items = scpi.split_items(text, where.separator)
        if len(items) < where.item:
            raise ReplyError(
                f"{reply!r} has {len(items)} items",
                reply=reply.encode("latin-1"),
                expected=f"at least {where.item} items",
            )
        text = items[where.item - 1]
    if where.suffix and text.casefold().endswith(where.suffix.casefold()):
        text = text[: -len(where.suffix)].strip()
    return text


# --- ours to theirs
# ------------------------------------------------------------------------------------------


def _word_for(setting: Setting, value: str) -> str:
    if value not in setting.words:
        raise RequestError(f"this scope has no {setting.name} {value!r}, it has {', '.join(setting.words)}")
    return setting.words[value][0]


def _number_for(setting: Setting, value: float, around: Around) -> str:
    theirs = _to_quantity(setting, value, around) * UNITS[setting.unit] * setting.factor
    rounding = setting.rounding
    if MEANINGS[setting.means].falling and rounding != "nearest":
        rounding = "down" if rounding == "up" else "up"
    try:
        chosen = _step(setting, _within(setting, theirs, rounding), rounding)
    except ValueError as error:
        raise RequestError(f"{setting.name} of {value:g} is not to be had: {error}") from None
    return scpi.number_text(chosen, setting.number)


def _within(setting: Setting, theirs: float, rounding: str) -> float:
    """Inside the limits; a limit itself is taken only if going there is rounding in the right direction."""
    low, high = setting.minimum, setting.maximum
    if low is not None and theirs < low:
        if rounding != "up" and not math.isclose(theirs, low, rel_tol=1e-9):
            raise ValueError(f"{theirs:g} {setting.unit} is below the least, {low:g} {setting.unit}")
        return low
    if high is not None and theirs > high:
        if rounding != "down" and not math.isclose(theirs, high, rel_tol=1e-9):
            raise ValueError(f"{theirs:g} {setting.unit} is above the most, {high:g} {setting.unit}")
        return high
    return theirs


def _step(setting: Setting, theirs: float, rounding: str) -> float:
    steps = setting.steps
    if not steps:
        return theirs
    for step in steps:
        if math.isclose(step, theirs, rel_tol=1e-9):
            return step
    above = bisect.bisect_left(steps, theirs)
    if rounding == "nearest":
        return min(steps, key=lambda step: abs(step - theirs))
    if rounding == "up" and above == len(steps):
        raise ValueError(f"{theirs:g} {setting.unit} is above the largest step, {steps[-1]:g} {setting.unit}")
    if rounding == "down" and above == 0:
        raise ValueError(f"{theirs:g} {setting.unit} is below the least step, {steps[0]:g} {setting.unit}")
    return steps[above] if rounding == "up" else steps[above - 1]


# --- meanings: the same table both ways
# ------------------------------------------------------------------------


def _to_quantity(setting: Setting, value: float, around: Around) -> float:
    if setting.referred == "input" and setting.name in ("range", "offset", "level"):
        value /= around.ratio
    if setting.unit == "div":
        value /= _volts_per_division(setting, around)
    return MEANINGS[setting.means].forth(value, setting, around)


def _from_quantity(setting: Setting, value: float, around: Around) -> float:
    ours = MEANINGS[setting.means].back(value, setting, around)
    if setting.unit == "div":
        ours *= _volts_per_division(setting, around)
    if setting.referred == "input" and setting.name in ("range", "offset", "level"):
        ours *= around.ratio
    return ours


def _volts_per_division(setting: Setting, around: Around) -> float:
    at_scope = around.range_v / around.ratio if setting.referred == "input" else around.range_v
    return at_scope / setting.divisions


@dataclass(frozen=True)
class Meaning:
    """From our value to the quantity a dialect speaks of, and back."""

    forth: Callable[[float, Setting, Around], float]
    back: Callable[[float, Setting, Around], float]
    falling: bool = False
    """Their number gets smaller when ours gets larger: rounding up is then rounding down for them."""


def _scaled(factor: Callable[[Setting, Around], float], *, falling: bool = False) -> Meaning:
    return Meaning(lambda v, s, a: v * factor(s, a), lambda v, s, a: v / factor(s, a), falling)


_SAME = _scaled(lambda _s, _a: 1.0)
_INVERSE = Meaning(lambda v, _s, _a: 1.0 / v, lambda v, _s, _a: 1.0 / v, falling=True)

MEANINGS: Mapping[str, Meaning] = {
    "": _SAME,
    "window": _SAME,
    "half": _scaled(lambda _s, _a: 0.5),
    "per-division": _scaled(lambda s, _a: 1.0 / s.divisions),
    "centre": _SAME,
    "shift": _scaled(lambda _s, _a: -1.0, falling=True),
    "ratio": _SAME,
    "loss": Meaning(lambda v, _s, _a: 20.0 * math.log10(v), lambda v, _s, _a: float(10.0 ** (v / 20.0))),
    "gain": _INVERSE,
    "interval": _SAME,
    "rate": _INVERSE,
    "record": _scaled(lambda _s, a: a.points),
    "record-to-last": _scaled(lambda _s, a: a.points - 1),
    "time-per-division": _scaled(lambda s, a: a.points / s.divisions),
    "part-before": _SAME,
    "points-before": _scaled(lambda _s, a: a.points - 1),
    "time-before": _scaled(lambda _s, a: a.span_s),
    "start": _scaled(lambda _s, a: -a.span_s, falling=True),
    "middle": Meaning(
        lambda v, _s, a: (0.5 - v) * a.span_s, lambda v, _s, a: 0.5 - v / a.span_s, falling=True
    ),
}
"""`start`: time of the first sample after the trigger event; `middle`: that of the middle of the record."""
