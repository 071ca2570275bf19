"""Settings one by one: set, error queue, read back. Two values of each, so that one that always answers the
same is found out."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial

from drivers.errors import InstrumentError, RequestError
from drivers.scope import scpi
from drivers.scope.dialect import Fixed, Setting
from drivers.scope.settings import (
    Around,
    commands_for,
    extract,
    fill,
    rounded,
    same_word,
    value_from,
    word_from,
)
from drivers.scope.setup import SAFE_IMPEDANCE_OHM
from service.commissioning.outcome import DIFFERS, FAILS, WORKS, Seen
from service.commissioning.trial import Trial

SAME = 1e-3
"""Replies are rounded to a few digits."""
RESOLUTION = 5e-3
"""Of the window: how finely offsets and levels may be set before it counts as a difference."""
MOST_REFUSALS = 3
PROBE_MEANS = 'compare means ("ratio" 10, "gain" 0.1 or "loss" 20 dB of one 10x probe), or state its steps'
WRONG_FACTOR = 1.5
"""Reading back every value wrong by the same factor beyond this is a wrong unit, not a coarse step."""


@dataclass
class Surroundings:
    """What other settings were last read back as: some settings are said in terms of them."""

    ratio: float = 1.0
    range_v: float = 8.0
    points: int = 1000
    interval_s: float = 1e-6

    def around(self) -> Around:
        return Around(self.ratio, self.range_v, self.points, self.interval_s)

    def note(self, name: str, value: float) -> None:
        """Keep what a later line needs to know."""
        if name == "probe":
            self.ratio = value
        elif name == "range":
            self.range_v = value
        elif name == "points":
            self.points = round(value)
        elif name == "interval":
            self.interval_s = value


@dataclass
class _Answers:
    """What the scope made of the values of one setting."""

    pairs: list[tuple[float, float]] = field(default_factory=list)
    """(sent, read back), ours."""
    refusals: list[InstrumentError] = field(default_factory=list)


def try_settings(trial: Trial) -> None:
    """Every setting of every channel, then of sweep and trigger, in the order of their dependence."""
    dialect = trial.dialect
    sweep = Surroundings()
    for name, words in dialect.channels.items():
        channel = Surroundings()
        _try_group(
            trial, "channel", f" ch{name}", dialect.channel_fixed, dialect.channel_settings, words, channel
        )
        sweep.ratio, sweep.range_v = channel.ratio, channel.range_v
    _try_group(trial, "sweep", "", dialect.sweep_fixed, dialect.sweep_settings, {}, sweep)
    words = next(iter(dialect.channels.values()))
    _try_group(trial, "trigger", "", dialect.trigger_fixed, dialect.trigger_settings, words, sweep)


def _try_group(
    trial: Trial,
    group: str,
    suffix: str,
    fixed: tuple[Fixed, ...],
    settings: tuple[Setting, ...],
    words: Mapping[str, str],
    surroundings: Surroundings,
) -> None:
    ordered = sorted(settings, key=lambda setting: ORDER.index(setting.name))
    for setting in ordered[:1] if ordered and ordered[0].name == "impedance" else ():
        trial.line(f"{group}.impedance{suffix}", partial(_impedance, trial, setting, words))
    for row in fixed:
        trial.line(f"{group}.fixed.{row.name}{suffix}", partial(_fixed, trial, row, words))
    for setting in ordered:
        if setting.name == "impedance":
            continue
        line = f"{group}.{setting.name}{suffix}"
        trial.line(line, partial(_setting, trial, setting, words, surroundings))
        for which, query in (("minimum", setting.minimum_query), ("maximum", setting.maximum_query)):
            if query is not None:
                work = partial(_limit, trial, setting, fill(query, words), surroundings)
                trial.line(f"{line} {which}", work)


def _impedance(trial: Trial, setting: Setting, words: Mapping[str, str]) -> Seen:
    """Only ever 1 megohm: 50 ohm inputs are damaged by logic levels."""
    high: float | str = "high" if setting.words else SAFE_IMPEDANCE_OHM
    trial.talk.tell(commands_for(setting, high, Around(), words), settle_s=setting.settle_s)
    if setting.query is None:
        return WORKS, "1 megohm was taken; it cannot be read back"
    query = fill(setting.query, words)
    reply = trial.talk.ask(query, timeout_s=setting.timeout_s)
    with trial.talk.parsing(query):
        said = extract(reply, setting.reply)
        if setting.words:
            safe = any(same_word(said, word) for word in setting.words["high"])
        else:
            safe = math.isclose(value_from(setting, reply, Around()), SAFE_IMPEDANCE_OHM, rel_tol=0.05)
    if safe:
        return WORKS, f"reads back as {said}"
    return FAILS, f"set to 1 megohm, reads back as {said}: take the probe off, a 50 ohm input can be damaged"


def _fixed(trial: Trial, row: Fixed, words: Mapping[str, str]) -> Seen:
    trial.talk.tell([fill(unit, words) for unit in row.write])
    if row.query is None:
        return WORKS, "taken; it cannot be read back"
    query = fill(row.query, words)
    reply = trial.talk.ask(query)
    with trial.talk.parsing(query):
        said = extract(reply, row.reply)
    if any(same_word(said, word) for word in row.expect):
        return WORKS, f"reads back as {said}"
    return FAILS, f"reads back as {said!r}, expected was {' or '.join(row.expect)}"


def _setting(trial: Trial, setting: Setting, words: Mapping[str, str], surroundings: Surroundings) -> Seen:
    if setting.words:
        return _words(trial, setting, words)
    return _numbers(trial, setting, words, surroundings)


def _words(trial: Trial, setting: Setting, words: Mapping[str, str]) -> Seen:
    """Every word that the dialect has, the usual one last."""
    ours = sorted(setting.words, key=lambda word: word in USUAL_WORDS)
    for word in ours:
        trial.talk.tell(commands_for(setting, word, Around(), words), settle_s=setting.settle_s)
        if setting.query is None:
            continue
        query = fill(setting.query, words)
        reply = trial.talk.ask(query, timeout_s=setting.timeout_s)
        with trial.talk.parsing(query):
            said = word_from(setting, reply)
        if said != word:
            return FAILS, f"set to {word}, reads back as {said}"
    listed = ", ".join(ours)
    return WORKS, f"{listed}: taken{'' if setting.query is None else ' and read back'}"


def _numbers(trial: Trial, setting: Setting, words: Mapping[str, str], surroundings: Surroundings) -> Seen:
    answers = _Answers()
    for value in _values(setting, surroundings.around()):
        if len(answers.pairs) == 2 or len(answers.refusals) == MOST_REFUSALS:
            break
        around = surroundings.around()
        try:
            trial.talk.tell(commands_for(setting, value, around, words), settle_s=setting.settle_s)
        except InstrumentError as refusal:
            answers.refusals.append(refusal)
            continue
        got = sent = rounded(setting, value, around)
        if setting.query is not None:
            got = _asked(trial, setting, fill(setting.query, words), around)
        answers.pairs.append((sent, got))
        surroundings.note(setting.name, got)
        trial.taken[setting.name] = got
    return _judged(setting, answers, surroundings)


def _values(setting: Setting, around: Around) -> list[float]:
    """The usual values that the dialect's own limits allow, each only once as the scope would have it."""
    chosen: dict[float, float] = {}
    for value in VALUES[setting.name]:
        with contextlib.suppress(RequestError):
            chosen.setdefault(float(f"{rounded(setting, value, around):.4g}"), value)
    if not chosen:
        raise RequestError(f"none of {VALUES[setting.name]} lies within the limits that the dialect states")
    return list(chosen.values())


def _judged(setting: Setting, answers: _Answers, surroundings: Surroundings) -> Seen:
    if not answers.pairs:
        raise answers.refusals[-1]
    unit = OUR_UNITS.get(setting.name, "")
    shown = ", ".join(f"{sent:.6g}{unit}" for sent, _ in answers.pairs)
    if setting.query is None:
        return WORKS, f"{shown}: taken; it cannot be read back"
    off = [pair for pair in answers.pairs if not _same(setting, *pair, surroundings)]
    if off and len({got for _, got in answers.pairs}) == 1 < len(answers.pairs):
        return FAILS, f"reads back {off[0][1]:.6g}{unit} whatever is set ({shown})"
    if len(off) == len(answers.pairs) and (factor := _common_factor(answers.pairs)) is not None:
        return FAILS, f"reads back {factor:.4g} times what is set ({shown}): compare unit, factor and means"
    if off:
        sent, got = off[0]
        return DIFFERS, f"{sent:.6g}{unit} was set, the scope makes {got:.6g}{unit} of it; state its steps"
    if answers.refusals:
        refused = scpi.describe_errors(answers.refusals[0].entries)
        mend = PROBE_MEANS if setting.name == "probe" else "state its limits"
        return DIFFERS, f"{shown}: taken and read back; another was refused ({refused}): {mend}"
    return WORKS, f"{shown}: taken and read back"


def _common_factor(pairs: list[tuple[float, float]]) -> float | None:
    """The factor by which every value is wrong, if it is the same one and too large for a step."""
    if not all(sent and got for sent, got in pairs):
        return None
    factors = [got / sent for sent, got in pairs]
    alike = all(math.isclose(factor, factors[0], rel_tol=0.05) for factor in factors)
    return factors[0] if alike and not 1 / WRONG_FACTOR < factors[0] < WRONG_FACTOR else None


def _same(setting: Setting, sent: float, got: float, surroundings: Surroundings) -> bool:
    absolute = {
        "offset": RESOLUTION * surroundings.range_v,
        "level": RESOLUTION * surroundings.range_v,
        "place": max(1.5 / surroundings.points, SAME),
    }.get(setting.name, 1e-15)
    return math.isclose(sent, got, rel_tol=SAME, abs_tol=absolute)


def _limit(trial: Trial, setting: Setting, query: str, surroundings: Surroundings) -> Seen:
    value = _asked(trial, setting, query, surroundings.around())
    return WORKS, f"{value:.6g}{OUR_UNITS.get(setting.name, '')}"


def _asked(trial: Trial, setting: Setting, query: str, around: Around) -> float:
    reply = trial.talk.ask(query, timeout_s=setting.timeout_s)
    with trial.talk.parsing(query):
        own = replace(around, points=1) if setting.name == "points" else around
        return value_from(setting, reply, own)


ORDER = (
    "impedance", "coupling", "probe", "range", "offset", "on",
    "points", "interval", "place", "source", "slope", "level",
)  # fmt: skip
USUAL_WORDS = ("on", "DC", "falling")
OUR_UNITS = {"range": " V", "offset": " V", "level": " V", "interval": " s"}
VALUES: Mapping[str, tuple[float, ...]] = {
    "probe": (1.0, 10.0, 100.0),
    "range": (4.0, 8.0, 16.0, 2.0, 40.0, 1.0),
    "offset": (0.5, 1.0, 0.0),
    "points": (2000.0, 1000.0, 5000.0, 10_000.0, 500.0, 100_000.0),
    "interval": (2e-6, 1e-6, 5e-6, 1e-7, 1e-8),
    "place": (0.25, 0.5, 0.1, 0.0),
    "level": (0.5, 1.5, 0.0),
}
"""Ours: volts at the tip, seconds. Ordinary ones that most scopes have; the last to be taken stays set."""
