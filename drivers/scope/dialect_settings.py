"""Settings in a dialect file: what each may say is in the tables at the foot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from drivers.scope import dialect_checks as must_be
from drivers.scope.dialect import Fixed, Reply, Setting
from drivers.scope.dialect_text import Table


@dataclass(frozen=True)
class Channels:
    """What the settings need to know of the channels."""

    names: tuple[str, ...]
    placeholders: tuple[str, ...]


@dataclass(frozen=True)
class Kind:
    """What may be said about one setting."""

    needed: bool
    means: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """What a number may stand for -> the units it may have then, the usual ones first. None: words only."""
    words: tuple[str, ...] = ()
    all_words: bool = False
    first_word: bool = False
    """The first of the words may not be missing."""
    rounding: str = "nearest"


def read_reply(table: Table) -> Reply:
    """Where in the reply the value stands."""
    found = table.table("reply")
    if found is None:
        return Reply()
    reply = Reply(
        item=found.take_optional("item", must_be.whole(1)),
        separator=found.take("separator", must_be.text, ","),
        suffix=found.take("suffix", must_be.any_text, ""),
        header=found.take("header", must_be.boolean, False),
    )
    found.done()
    return reply


def read_settings(
    group: Table, kinds: Mapping[str, Kind], placeholders: Iterable[str], channels: Channels
) -> tuple[Setting, ...]:
    """In the order of the file: that is the order in which they are sent."""
    order = [name for name in group.names() if name in kinds]
    found = {}
    for name, kind in kinds.items():
        table = group.table(name) if not kind.needed else group.needed_table(name)
        if table is not None:
            found[name] = _setting(table, name, kind, tuple(placeholders), channels)
            table.done()
    return tuple(found[name] for name in order)


def _setting(
    table: Table, name: str, kind: Kind, placeholders: tuple[str, ...], channels: Channels
) -> Setting:
    without_value = [word for word in placeholders if word != "value"]
    means = table.take("means", must_be.one_of(kind.means), next(iter(kind.means), ""))
    units = kind.means.get(means, ("number",))
    setting = Setting(
        name=name,
        write=table.take("write", must_be.commands(placeholders)),
        query=table.take_optional("query", must_be.command(without_value)),
        means=means,
        unit=table.take("unit", must_be.one_of(units), units[0]),
        factor=table.take("factor", must_be.number, 1.0),
        divisions=table.take("divisions", must_be.positive, 1.0),
        referred=table.take("referred", must_be.one_of(("tip", "input")), "tip"),
        words=_words(table, kind, channels),
        number=table.take("number", must_be.one_of(("NRf", "NR1", "NR2", "NR3")), "NRf"),
        steps=table.take("steps", must_be.steps, ()),
        minimum=table.take_optional("minimum", must_be.number),
        maximum=table.take_optional("maximum", must_be.number),
        minimum_query=table.take_optional("minimum_query", must_be.command(without_value)),
        maximum_query=table.take_optional("maximum_query", must_be.command(without_value)),
        rounding=table.take("rounding", must_be.one_of(("nearest", "up", "down")), kind.rounding),
        reply=read_reply(table),
        settle_s=table.take("settle_s", must_be.not_negative, 0.0),
        timeout_s=table.take_optional("timeout_s", must_be.positive),
    )
    table.done()  # a typo is told as such, not as what is then missing
    if not any("{value}" in unit for unit in setting.write):
        raise table.fault("never sends its {value}", "write")
    if ("division" in means or setting.unit == "div") and setting.divisions == 1:
        raise table.fault("speaks of divisions: it needs a key 'divisions', how many there are")
    if setting.factor == 0:
        raise table.fault("cannot have a factor of 0", "factor")
    return setting


def _words(table: Table, kind: Kind, channels: Channels) -> dict[str, tuple[str, ...]]:
    ours = channels.names if kind.words == THE_CHANNELS else kind.words
    found = table.table("words")
    if found is None:
        if ours and not kind.means:
            raise table.fault(f"needs a table of words for {', '.join(ours)}")
        return {}
    words = {}
    for word in ours:
        theirs = found.take_optional(word, must_be.words_or_numbers)
        if theirs is not None:
            words[word] = theirs
    if not words or (kind.all_words and len(words) < len(ours)):
        missing = [word for word in ours if word not in words]
        raise found.lacks_words(f"a word for each of {', '.join(ours)}", missing)
    if kind.first_word and ours[0] not in words:
        raise found.lacks_words(f"a word for {ours[0]}", ours[:1])
    found.done()
    return words


def read_fixed(group: Table, given: Iterable[str]) -> tuple[Fixed, ...]:
    placeholders = tuple(given)
    table = group.table("fixed")
    if table is None:
        return ()
    result = []
    for name in table.names():
        row = table.needed_table(name)
        result.append(
            Fixed(
                name=name,
                write=row.take("write", must_be.commands(placeholders)),
                query=row.take_optional("query", must_be.command(placeholders)),
                expect=row.take("expect", must_be.words_or_numbers, ()),
                reply=read_reply(row),
                put_back=row.take("put_back", must_be.commands((*placeholders, "value")), ()),
            )
        )
        if bool(result[-1].query) != bool(result[-1].expect):
            raise row.fault("needs both a query and what to expect of it, or neither")
        if result[-1].put_back and not result[-1].query:
            raise row.fault("cannot put back what it has no query for", "put_back")
        row.done()
    return tuple(result)


_VOLTS = ("V", "mV", "uV")
_SECONDS = ("s", "ms", "us", "ns", "ps")
THE_CHANNELS = ("<channel>",)

CHANNEL = {
    "impedance": Kind(False, {"": ("ohm", "kohm", "Mohm")}, words=("high", "low"), first_word=True),
    "on": Kind(True, words=("on", "off"), all_words=True),
    "coupling": Kind(False, words=("DC", "AC", "ground")),
    "probe": Kind(False, {"ratio": ("ratio",), "loss": ("dB",), "gain": ("gain",)}),
    "range": Kind(True, {"window": _VOLTS, "per-division": _VOLTS, "half": _VOLTS}, rounding="up"),
    "offset": Kind(True, {"centre": (*_VOLTS, "div"), "shift": (*_VOLTS, "div")}),
}
SWEEP = {
    "points": Kind(True, {"": ("points",)}, rounding="up"),
    "interval": Kind(
        True,
        {
            "interval": _SECONDS,
            "rate": ("Hz", "kHz", "MHz", "GHz"),
            "record": _SECONDS,
            "record-to-last": _SECONDS,
            "time-per-division": _SECONDS,
        },
        rounding="up",
    ),
    "place": Kind(
        True,
        {
            "part-before": ("fraction", "percent"),
            "points-before": ("points",),
            "time-before": _SECONDS,
            "start": _SECONDS,
            "middle": _SECONDS,
        },
    ),
}
TRIGGER = {
    "source": Kind(True, words=THE_CHANNELS, all_words=True),
    "slope": Kind(True, words=("rising", "falling"), all_words=True),
    "level": Kind(True, {"": _VOLTS}),
}
