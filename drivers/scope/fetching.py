"""Fetching one record: its scale line and terms, its windows, its codes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.errors import ReplyError
from drivers.scope import scpi
from drivers.scope.capture import Capture, ChannelRecord, TriggerRecord
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import UNITS, Dialect, Fetch, Term
from drivers.scope.settings import extract, fill
from drivers.scope.setup import ScopeState
from drivers.scope.waveform import (
    Scale,
    Window,
    codes_from_block,
    codes_from_text,
    codes_from_volts,
    interval_of,
    scale_of,
    start_of,
    volts_from_block,
    volts_from_text,
    windows_of,
)

SPARE_BYTES = 64


@dataclass(frozen=True)
class Timing:
    """Where the samples of a record lie."""

    interval_s: float
    start_s: float


def fetch_capture(
    dialect: Dialect, talk: Conversation, state: ScopeState, *, taken_at: str, fired: bool
) -> Capture:
    """The record of every channel that is on. Raises what `fetch_channel` does."""
    fetched = [fetch_channel(dialect, talk, state, name) for name in state.channels]
    assert talk.identity is not None  # greeting it is part of opening it
    trigger = TriggerRecord(state.trigger_source, state.trigger_level_v, state.trigger_slope, fired)
    return Capture(
        channels=tuple(record for record, _ in fetched),
        sample_interval_s=fetched[0][1].interval_s,
        start_s=fetched[0][1].start_s,
        trigger=trigger,
        identity=talk.identity,
        taken_at=taken_at,
        settings={**state.settings, "dialect": dialect.name, "address": talk.link.address},
    )


def fetch_channel(
    dialect: Dialect, talk: Conversation, state: ScopeState, name: str
) -> tuple[ChannelRecord, Timing]:
    """The record of one channel with its scale, and its time base as the scope states it.

    Raises:
        ReplyError: not as many samples as the record has, or a scale that is none.
        InstrumentError, TimedOut, NotReachable.
    """
    terms = _terms(dialect, talk, state, name)
    points = round(terms.get("points", state.points))
    parts = [_window(dialect, talk, name, window) for window in windows_of(points, dialect.fetch.windows)]
    sent = parts[0] if len(parts) == 1 else np.concatenate(parts)
    channel = state.channels[name]
    with talk.parsing(dialect.fetch.query):
        scale = scale_of(dialect.fetch, terms, channel.probe_ratio)
        codes = _codes(sent, dialect.fetch, scale, channel.probe_ratio)
    interval_s = interval_of(terms, state.sample_interval_s)
    record = ChannelRecord(
        name=name,
        codes=codes,
        volts_per_code=scale.volts_per_code,
        volts_at_code_zero=scale.volts_at_code_zero,
        code_min=scale.code_min,
        code_max=scale.code_max,
        settings={
            "range_v": channel.range_v,
            "offset_v": channel.offset_v,
            "probe_ratio": channel.probe_ratio,
            "coupling": channel.coupling,
            "impedance_ohm": channel.impedance_ohm,
        },
    )
    return record, Timing(interval_s, start_of(terms, interval_s, state.start_s))


def _codes(sent: NDArray[Any], fetch: Fetch, scale: Scale, ratio: float) -> NDArray[np.integer]:
    """Codes as they were sent, or those behind the volts that were."""
    if sent.dtype.kind != "f":
        return sent
    return codes_from_volts(sent * (ratio if fetch.referred == "input" else 1.0), scale, fetch.code)


def _window(dialect: Dialect, talk: Conversation, name: str, window: Window) -> NDArray[Any]:
    fetch = dialect.fetch
    words = {**dialect.channels[name], **window.words}
    query = fill(fetch.query, words)
    before = [fill(unit, words) for unit in fetch.before]
    item_bytes = fetch.real.bits // 8 if fetch.data == "volts" else fetch.code.bytes
    if fetch.data in ("block", "volts"):
        data = talk.ask_block(
            query,
            before=before,
            limit_bytes=window.count * item_bytes + SPARE_BYTES,
            newline=fetch.newline,
            timeout_s=fetch.timeout_s,
        )
        with talk.parsing(query):
            volts = fetch.data == "volts"
            codes = volts_from_block(data, fetch.real) if volts else codes_from_block(data, fetch.code)
    else:
        text = talk.ask_after(query, before, timeout_s=fetch.timeout_s)
        with talk.parsing(query):
            volts = fetch.data == "volt-numbers"
            codes = volts_from_text(text) if volts else codes_from_text(text, fetch.code)
    with talk.parsing(query):
        if len(codes) != window.count:
            raise ReplyError(
                f"{len(codes)} samples came where the record has {window.count}",
                expected=f"{window.count} samples",
            )
    return codes


def _terms(dialect: Dialect, talk: Conversation, state: ScopeState, name: str) -> dict[str, float]:
    """The named numbers of the conversion, in volts, seconds and codes."""
    fetch, words = dialect.fetch, dialect.channels[name]
    line = []
    if fetch.line_query is not None:
        reply = talk.ask(fill(fetch.line_query, words), timeout_s=fetch.timeout_s)
        line = scpi.split_items(reply, fetch.line_separator)
    queries = {key: fill(term.query, words) for key, term in fetch.terms.items() if term.query is not None}
    answers = dict(zip(queries, talk.ask_all(list(queries.values())), strict=True))
    terms = {}
    for key, term in fetch.terms.items():
        with talk.parsing(queries.get(key, fetch.line_query or key)):
            terms[key] = _value(term, answers.get(key), line, state, name)
    return terms


def _value(term: Term, answer: str | None, line: list[str], state: ScopeState, name: str) -> float:
    if term.setting is not None:
        channel = state.channels[name]
        return {
            "range": channel.range_v,
            "offset": channel.offset_v,
            "interval": state.sample_interval_s,
            "points": float(state.points),
        }[term.setting]
    if term.value is not None:
        number = term.value
    elif answer is not None:
        number = scpi.parse_number(extract(answer, term.reply))
    else:
        assert term.field is not None
        if term.field >= len(line):
            raise ReplyError(f"the scale line has {len(line)} fields", expected=f"at least {term.field + 1}")
        number = scpi.parse_number(line[term.field])
    number /= UNITS[term.unit]
    return 1.0 / number if term.unit.endswith("Hz") and number else number
