"""Fetching in a dialect file: code format, windows, scale line and the named terms of the conversion."""

from __future__ import annotations

from drivers.scope import dialect_checks as must_be
from drivers.scope.dialect import CodeFormat, Fetch, RealFormat, Term, Windows
from drivers.scope.dialect_settings import Channels, read_reply
from drivers.scope.dialect_text import Table, did_you_mean


def read_fetch(table: Table, channels: Channels) -> Fetch:
    line = table.table("line")
    fields = line.take("fields", must_be.words) if line else ()
    terms = _terms(table, fields, line, channels)
    windows = table.table("windows")
    placeholders = (*channels.placeholders, *(("first", "last", "count") if windows else ()))
    table.no_typo_of("windows")
    fetch = Fetch(
        query=table.take("query", must_be.command(placeholders)),
        before=table.take("before", must_be.commands(placeholders), ()),
        data=table.take("data", must_be.one_of(FETCH_DATA), "block"),
        newline=table.take("newline", must_be.boolean, True),
        referred=table.take("referred", must_be.one_of(("tip", "input")), "tip"),
        code=_code(table.table("code")),
        real=_real(table.table("real")),
        windows=_windows(windows),
        line_query=line.take("query", must_be.command(channels.placeholders)) if line else None,
        line_separator=line.take("separator", must_be.text, ",") if line else ",",
        terms=terms,
        timeout_s=table.take_optional("timeout_s", must_be.positive),
    )
    if windows and not any("{first}" in unit for unit in (fetch.query, *fetch.before)):
        raise table.fault("has windows, but nothing in it says {first}: every window would be the same")
    if line:
        line.done()
    if not any(set(way) <= set(terms) for way in WAYS_TO_A_SCALE):
        ways = "; or ".join(" and ".join(way) for way in WAYS_TO_A_SCALE)
        raise table.fault(f"does not say how many volts one code is: among its terms it needs {ways}")
    return fetch


def _code(table: Table | None) -> CodeFormat:
    usual = CodeFormat()
    if table is None:
        return usual
    bits = table.take("bits", must_be.whole(2, 32), usual.bits)
    code = CodeFormat(
        bits=bits,
        bytes=table.take("bytes", must_be.whole(1, 4), 1 if bits <= 8 else 2 if bits <= 16 else 4),
        signed=table.take("signed", must_be.boolean, usual.signed),
        byte_order=table.take("byte_order", must_be.one_of(("big", "little")), usual.byte_order),
        left_justified=table.take("left_justified", must_be.boolean, usual.left_justified),
        scale_per=table.take("scale_per", must_be.one_of(("word", "code")), usual.scale_per),
        minimum=table.take_optional("minimum", must_be.any_whole),
        maximum=table.take_optional("maximum", must_be.any_whole),
    )
    if code.bytes == 3 or code.bits > 8 * code.bytes:
        raise table.fault(f"cannot hold {code.bits} bits in {code.bytes} bytes (1, 2 or 4)", "bytes")
    table.done()
    return code


def _real(table: Table | None) -> RealFormat:
    usual = RealFormat()
    if table is None:
        return usual
    real = RealFormat(
        bits=table.take("bits", must_be.one_of_numbers((32, 64)), usual.bits),
        byte_order=table.take("byte_order", must_be.one_of(("big", "little")), usual.byte_order),
    )
    table.done()
    return real


def _windows(table: Table | None) -> Windows | None:
    if table is None:
        return None
    windows = Windows(
        points=table.take("points", must_be.whole(1)), first=table.take("first", must_be.whole(0, 1), 0)
    )
    table.done()
    return windows


def _terms(fetch: Table, fields: tuple[str, ...], line: Table | None, channels: Channels) -> dict[str, Term]:
    terms: dict[str, Term] = {}
    for place, entry in enumerate(fields):
        name, _, unit = entry.partition(" ")
        if name == "-":
            continue
        if name not in TERMS or (unit and unit not in TERMS[name]):
            assert line is not None
            hint = did_you_mean(unit, TERMS[name]) if name in TERMS else did_you_mean(name, TERMS)
            raise line.fault(f"has a field {entry!r}{hint}", "fields")
        terms[name] = Term(field=place, unit=unit or TERMS[name][0])
    table = fetch.table("terms")
    if table is not None:
        for name, units in TERMS.items():
            found = _term(table, name, units, channels)
            if found is not None:
                terms[name] = found
        table.done()
    return terms


def _term(table: Table, name: str, units: tuple[str, ...], channels: Channels) -> Term | None:
    if table.peek(name) is not None and not isinstance(table.peek(name), dict):
        return Term(value=table.take(name, must_be.number), unit=units[0])
    found = table.table(name)
    if found is None:
        return None
    term = Term(
        value=found.take_optional("value", must_be.number),
        setting=found.take_optional("setting", must_be.one_of(SETTINGS_IN_TERMS)),
        query=found.take_optional("query", must_be.command(channels.placeholders)),
        unit=found.take("unit", must_be.one_of(units), units[0]),
        reply=read_reply(found),
    )
    if sum(source is not None for source in (term.value, term.setting, term.query)) != 1:
        raise found.fault("needs exactly one of value, setting, query")
    found.done()
    return term


_VOLTS = ("V", "mV", "uV")
_SECONDS = ("s", "ms", "us", "ns", "ps")
TERMS: dict[str, tuple[str, ...]] = {
    "volts_per_code": _VOLTS,
    "window": _VOLTS,
    "codes_per_window": ("number",),
    "per_division": _VOLTS,
    "codes_per_division": ("number",),
    "code_reference": ("number",),
    "code_origin": ("number",),
    "volts_at_reference": _VOLTS,
    "volts_subtracted": _VOLTS,
    "points": ("points",),
    "sample_interval": (*_SECONDS, "Hz", "kHz", "MHz", "GHz"),
    "start": _SECONDS,
    "time_before": _SECONDS,
    "trigger_point": ("points",),
}
"""The numbers that a conversion may use, with their units; waveform.py says how they are put together."""
WAYS_TO_A_SCALE = (
    ("volts_per_code",),
    ("window", "codes_per_window"),
    ("per_division", "codes_per_division"),
)
FETCH_DATA = ("block", "numbers", "volts", "volt-numbers")
SETTINGS_IN_TERMS = ("range", "offset", "interval", "points")
