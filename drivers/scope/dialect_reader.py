"""From a dialect file to a `Dialect`. What may stand in a file is in the tables at the foot.

A fault names the file, the line, what was found there and the nearest word that is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from drivers.errors import RequestError
from drivers.scope import dialect_checks as must_be
from drivers.scope.dialect import Action, Dialect, EventStatus, MessageRules, Poll, Question, SerialLine
from drivers.scope.dialect_fetch import read_fetch
from drivers.scope.dialect_settings import (
    CHANNEL,
    SWEEP,
    TRIGGER,
    Channels,
    read_fixed,
    read_reply,
    read_settings,
)
from drivers.scope.dialect_text import DialectText, Table, did_you_mean, read_text

Part = TypeVar("Part")

SCHEMA = 1
GROUPS = ("channel", "sweep", "trigger")
"""Tables that hold operations; a file that is based on another one replaces single operations in them."""


def shipped_dialects() -> tuple[str, ...]:
    """Names of the dialects that come with this program."""
    folder = resources.files("drivers.scope.dialects")
    return tuple(sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml")))


def load_dialect(name_or_path: str | Path) -> Dialect:
    """A shipped dialect by its name, or anybody's by the path of the file.

    Raises:
        RequestError: there is none, or it has a fault: file, line and the nearest right word are named.
    """
    texts = _with_what_it_is_based_on(_find(name_or_path), ())
    content: dict[str, Any] = {}
    for text in reversed(texts):
        content = _over(content, text.tables)
    return _dialect(Table(content, (), texts), texts[0])


def _find(name_or_path: str | Path) -> DialectText:
    name = str(name_or_path)
    if name in shipped_dialects():
        entry = resources.files("drivers.scope.dialects").joinpath(f"{name}.toml")
        return DialectText(f"{name}.toml", entry.read_text(encoding="utf-8"))
    path = Path(name)
    if path.suffix == ".toml" or path.exists():
        return read_text(path)
    raise RequestError(f"there is no dialect {name!r}{did_you_mean(name, shipped_dialects())}")


def _with_what_it_is_based_on(text: DialectText, seen: tuple[str, ...]) -> tuple[DialectText, ...]:
    base = text.tables.pop("based_on", None)
    if base is None:
        return (text,)
    if text.name in seen:
        raise RequestError(f"{text.name} is based on itself")
    if not isinstance(base, str):
        raise RequestError(
            f"{text.name}, line {text.line_of(('based_on',))}: based_on must be a name or a path"
        )
    near = Path(text.name).parent / base
    found = _find(base if base in shipped_dialects() else near)
    return (text, *_with_what_it_is_based_on(found, (*seen, text.name)))


def _over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """`own` laid over `base`: whole operations replace each other, never single keys of one."""
    result = dict(base)
    for key, value in own.items():
        if key in GROUPS and isinstance(value, dict) and isinstance(base.get(key), dict):
            result[key] = {**base[key], **value}
        else:
            result[key] = value
    for name in result.pop("without", []):
        group, _, operation = str(name).partition(".")
        (result[group] if operation and isinstance(result.get(group), dict) else result).pop(
            operation or group, None
        )
    return result


def _dialect(table: Table, own: DialectText) -> Dialect:
    table.take("schema", must_be.whole(SCHEMA, SCHEMA))
    rows = _channels(table.needed_table("channels"))
    words = tuple(next(iter(rows.values())))
    channels = Channels(tuple(rows), words)
    channel, sweep, trigger = (table.needed_table(name) for name in GROUPS)
    dialect = Dialect(
        name=table.take("name", must_be.text),
        about=table.take("about", must_be.any_text, ""),
        source=Path(own.name),
        input_ohm=table.take_optional("input_ohm", must_be.positive),
        message=_optional(table, "message", _message) or MessageRules(),
        channels=rows,
        identify=_needed(table, "identify", _question),
        errors=_optional(table, "errors", _question),
        event_status=_optional(table, "event_status", _event_status),
        clear=_needed(table, "clear", _action),
        reset=_optional(table, "reset", _action),
        self_test=_optional(table, "self_test", _question),
        options=_optional(table, "options", _question),
        release=_optional(table, "release", _action),
        serial_line=_optional(table, "serial_line", _serial_line),
        channel_settings=read_settings(channel, CHANNEL, (*words, "value"), channels),
        channel_fixed=read_fixed(channel, words),
        sweep_settings=read_settings(sweep, SWEEP, ("value",), channels),
        sweep_fixed=read_fixed(sweep, ()),
        trigger_settings=read_settings(trigger, TRIGGER, (*words, "value"), channels),
        trigger_fixed=read_fixed(trigger, words),
        arm=_needed(table, "arm", _action),
        force=_optional(table, "force", _action),
        abort=_needed(table, "abort", _action),
        done=_needed(table, "done", _poll),
        ready=_optional(table, "ready", _poll),
        fetch=_needed(table, "fetch", lambda part: read_fetch(part, channels)),
    )
    for part in (channel, sweep, trigger, table):
        part.done()
    _check_together(dialect, channel)
    return dialect


def _channels(table: Table) -> dict[str, dict[str, str]]:
    """Channel name -> its words for the placeholders; {channel} is the name unless the row says otherwise."""
    rows = {}
    for name in table.names():
        row = table.needed_table(name)
        rows[name] = {"channel": name, **{word: row.take(word, must_be.text) for word in row.names()}}
    if not rows or len({tuple(sorted(words)) for words in rows.values()}) > 1:
        raise table.fault("must name at least one channel, and each with the same words")
    return rows


def _message(table: Table) -> MessageRules:
    usual = MessageRules()
    return MessageRules(
        join=table.take("join", must_be.any_text, usual.join),
        root=table.take("root", must_be.any_text, usual.root),
        join_queries=table.take("join_queries", must_be.boolean, usual.join_queries),
        answers=table.take("answers", must_be.text, usual.answers),
        longest=table.take("longest", must_be.whole(20), usual.longest),
    )


def _question(table: Table) -> Question:
    return Question(
        query=table.take("query", must_be.command(())),
        timeout_s=table.take_optional("timeout_s", must_be.positive),
        reply=read_reply(table),
    )


def _event_status(table: Table) -> EventStatus:
    return EventStatus(_question(table), table.take("bit", must_be.whole(0, 15), EventStatus.bit))


def _serial_line(table: Table) -> SerialLine:
    usual = SerialLine()
    return SerialLine(
        baud=table.take("baud", must_be.whole(50, 4_000_000), usual.baud),
        frame=table.take("frame", must_be.frame, usual.frame),
        flow=table.take("flow", must_be.one_of(("none", "xon", "rts")), usual.flow),
    )


def _action(table: Table) -> Action:
    return Action(
        write=table.take("write", must_be.commands(())),
        settle_s=table.take("settle_s", must_be.not_negative, 0.0),
    )


def _poll(table: Table) -> Poll:
    by = table.take("by", must_be.one_of(("register", "words", "answer")))
    poll = Poll(
        by=by,
        query=table.take("query", must_be.command(())),
        mask=table.take("mask", must_be.whole(1)) if by == "register" else 0,
        value=table.take("value", must_be.whole(0)) if by == "register" else 0,
        yes=table.take("yes", must_be.words) if by == "words" else (),
        no=table.take("no", must_be.words) if by == "words" else (),
        reply=read_reply(table),
        timeout_s=table.take_optional("timeout_s", must_be.positive),
    )
    if poll.value & ~poll.mask:
        raise table.fault(f"can never be: value {poll.value} has bits outside mask {poll.mask}", "value")
    return poll


def _check_together(dialect: Dialect, channel: Table) -> None:
    """What no single key can be blamed for."""
    if dialect.setting("impedance") is None and dialect.input_ohm is None:
        raise channel.fault(
            "needs [channel.impedance], so that an input is never left at 50 ohm; "
            "where it cannot be switched, state input_ohm = 1e6 at the top of the file"
        )
    if dialect.setting("probe") is None:
        for setting in (*dialect.channel_settings, *dialect.trigger_settings):
            if setting.name in ("range", "offset", "level") and setting.referred == "tip":
                raise channel.fault(
                    f"has no probe setting, so this scope knows no probe: {setting.name} needs "
                    'referred = "input"'
                )


def _needed(table: Table, key: str, read: Callable[[Table], Part]) -> Part:
    return _read_whole(table.needed_table(key), read)


def _optional(table: Table, key: str, read: Callable[[Table], Part]) -> Part | None:
    part = table.table(key)
    return None if part is None else _read_whole(part, read)


def _read_whole(table: Table, read: Callable[[Table], Part]) -> Part:
    result = read(table)
    table.done()
    return result
