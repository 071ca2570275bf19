"""Dialect files: every fault names file, line and the nearest right word. Invented vocabularies only."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.errors import RequestError
from drivers.scope.dialect import UNITS
from drivers.scope.dialect_reader import load_dialect, shipped_dialects
from drivers.scope.dialect_text import DialectText, Table
from drivers.scope.settings import MEANINGS

SHIPPED = Path(__file__).parents[3] / "drivers" / "scope" / "dialects" / "scpi-1999.toml"


def changed(tmp_path: Path, old: str, new: str) -> Path:
    """The shipped dialect with one place changed."""
    text = SHIPPED.read_text(encoding="utf-8").partition("# What may stand in a dialect file")[0]
    assert text.count(old) == 1, f"{old!r} must stand once in the shipped file"
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def line_of(path: Path, fragment: str) -> int:
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if fragment in line)


def refused(path: Path) -> str:
    with pytest.raises(RequestError) as caught:
        load_dialect(path)
    return str(caught.value)


def test_every_shipped_dialect_loads() -> None:
    """By its name alone, and its file says the same name."""
    assert "scpi-1999" in shipped_dialects()
    for name in shipped_dialects():
        assert load_dialect(name).name == name


def test_the_shipped_dialect_keeps_inputs_at_one_megohm_and_asks_everything_back() -> None:
    """Whatever can be set can be read."""
    dialect = load_dialect("scpi-1999")
    settings = (*dialect.channel_settings, *dialect.sweep_settings, *dialect.trigger_settings)
    assert dialect.setting("impedance") is not None
    assert all(setting.query for setting in settings)
    assert list(dialect.channels) == ["1", "2"]


# fmt: off
TYPOS: list[tuple[str, str, list[str]]] = [
    # where, what is written, what it must say
    ('query = "INP{channel}:COUP?"', 'quary = "INP{channel}:COUP?"', ["quary", "'query'", "[channel.coup"]),
    ("[channel.coupling]", "[channel.couplng]", ["couplng", "'coupling'"]),
    ("[trigger.slope]", "[trigger.slop]", ["slope"]),
    ("[self_test]", "[selftest]", ["selftest", "'self_test'"]),
    ("[event_status]", "[event_state]", ["event_state", "'event_status'"]),
    ("bit = 7", "bits = 7", ["'bits'", "'bit'"]),
    ("bit = 7", "bit = 128", ["bit = 128", "0..15"]),
    ('"SENS{channel}:VOLT:RANG:PTP {value}"', '"SENS{chanel}:VOLT:RANG:PTP {value}"', ["{chanel}", "'chan"]),
    ('"SENS:SWE:POIN {value}"', '"SENS:SWE:POIN 1000"', ["{value}"]),
    ('means = "window"', 'means = "windows"', ["windows", "'window'"]),
    ('means = "interval"\nunit = "s"', 'means = "interval"\nunit = "sec"', ["sec", "'s'"]),
    ('means = "interval"\nunit = "s"', 'means = "interval"\nunit = "Hz"', ["Hz", "ms, ns, ps, s, us"]),
    ("mask = 40\nvalue = 0", "mask = 40\nvalue = 3", ["mask 40", "value 3"]),
    ('mask = 40', 'mask = "40"', ["mask", "whole number"]),
    ("bits = 8\n", "bits = 80\n", ["bits", "2..32"]),
    ('data = "block"', 'data = "blocks"', ["blocks", "'block'"]),
    ("codes_per_window = 256", "code_per_window = 256", ["code_per_window", "'codes_per_window'"]),
    ('at_reference = {setting = "offset"}', 'at_reference = {setting = "ofset"}', ["ofset", "'offset'"]),
    ("timeout_s = 30", "timeout_s = -30", ["timeout_s", "above 0"]),
    ('falling = ["NEG", "NEGATIVE"]', 'fallling = ["NEG", "NEGATIVE"]', ["rising, falling"]),
    ('write = "TRIG:IMM"', 'write = "TRIG:IMM\\n*RST"', ["ASCII"]),
    ('write = "TRIG:IMM"', 'write = "TRIG:{IMM"', ["brace"]),
    ("schema = 1", "schema = 2", ["schema"]),
    ('expect = "EDGE"', "", ["query", "expect"]),
]
# fmt: on


@pytest.mark.parametrize(("old", "new", "says"), TYPOS, ids=[new[:30] or "left out" for _, new, _ in TYPOS])
def test_a_typo_names_the_file_and_the_nearest_right_word(
    tmp_path: Path, old: str, new: str, says: list[str]
) -> None:
    """Somebody who writes a dialect from a manual finds the place at once."""
    message = refused(changed(tmp_path, old, new))
    assert "mine.toml, line " in message
    for words in says:
        assert words in message


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('query = "INP{channel}:COUP?"', 'quary = "INP{channel}:COUP?"'),
        ("codes_per_window = 256", "code_per_window = 256"),
        ('data = "block"', 'data = "blocks"'),
    ],
)
def test_the_line_is_the_line_of_the_typo(tmp_path: Path, old: str, new: str) -> None:
    """The number is that of an editor, from 1."""
    path = changed(tmp_path, old, new)
    assert f"line {line_of(path, new)}:" in refused(path)


def test_a_fault_of_toml_itself_has_its_line_too(tmp_path: Path) -> None:
    """An unclosed string is found by the TOML parser."""
    path = changed(tmp_path, 'query = "*IDN?"', 'query = "*IDN?')
    assert f"line {line_of(path, 'query = ')}" in refused(path)


@pytest.mark.parametrize("table", ["identify", "clear", "arm", "abort", "done", "fetch"])
def test_what_a_scope_cannot_do_without_is_missed_by_name(tmp_path: Path, table: str) -> None:
    """A dialect without it could not take a single shot."""
    message = refused(changed(tmp_path, f"[{table}] ", f"[x_{table}] "))
    assert f"[{table}]" in message or f"'{table}'" in message


def test_a_dialect_without_impedance_must_say_why(tmp_path: Path) -> None:
    """An input left at 50 ohm is damaged by logic levels: the file must switch it or state what it is."""
    text = SHIPPED.read_text(encoding="utf-8")
    start, end = text.index("[channel.impedance]"), text.index("[channel.coupling]")
    path = tmp_path / "mine.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    assert "50 ohm" in refused(path)
    path.write_text(
        text[:start].replace("schema = 1", "schema = 1\ninput_ohm = 1e6") + text[end:], encoding="utf-8"
    )
    assert load_dialect(path).input_ohm == 1e6


def test_a_conversion_must_say_what_a_code_is_worth(tmp_path: Path) -> None:
    """Volts cannot be guessed."""
    assert "volts_per_code" in refused(changed(tmp_path, 'window = {setting = "range"}\n', ""))


def test_a_scope_that_knows_no_probe_must_say_where_its_volts_are(tmp_path: Path) -> None:
    """Else every reading would be wrong by the probe's ratio."""
    text = SHIPPED.read_text(encoding="utf-8")
    start, end = text.index("[channel.probe]"), text.index("[channel.range]")
    path = tmp_path / "mine.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    assert 'referred = "input"' in refused(path)


def test_a_dialect_based_on_another_says_only_what_differs(tmp_path: Path) -> None:
    """Whole operations are replaced or left out; everything else is inherited."""
    path = tmp_path / "cousin.toml"
    path.write_text(
        'schema = 1\nname = "cousin"\nbased_on = "scpi-1999"\nwithout = ["self_test", "trigger.fixed"]\n'
        '[arm]\nwrite = "GO"\n[channel.coupling]\nwrite = "CPL{channel} {value}"\nquery = "CPL{channel}?"\n'
        'words = {DC = "D", AC = "A", ground = "G"}\n',
        encoding="utf-8",
    )
    cousin, parent = load_dialect(path), load_dialect("scpi-1999")
    assert cousin.name == "cousin"
    assert cousin.arm.write == ("GO",)
    assert cousin.self_test is None
    assert cousin.trigger_fixed == ()
    coupling = cousin.setting("coupling")
    assert coupling is not None
    assert coupling.write == ("CPL{channel} {value}",)
    assert cousin.fetch == parent.fetch
    assert cousin.setting("level") == parent.setting("level")


def test_a_typo_in_what_differs_is_found_in_the_right_file(tmp_path: Path) -> None:
    """Not in the file that it is based on."""
    path = tmp_path / "cousin.toml"
    path.write_text('schema = 1\nname = "cousin"\nbased_on = "scpi-1999"\n\n[arm]\nwrit = "GO"\n', "utf-8")
    assert "cousin.toml, line 6: [arm] does not know 'writ'; did you mean 'write'?" in refused(path)


def test_files_that_are_based_on_each_other_are_refused(tmp_path: Path) -> None:
    """In a circle nothing is ever said."""
    (tmp_path / "a.toml").write_text('based_on = "b.toml"\n', encoding="utf-8")
    (tmp_path / "b.toml").write_text('based_on = "a.toml"\n', encoding="utf-8")
    assert "based on itself" in refused(tmp_path / "a.toml")


def test_an_unknown_name_gets_the_nearest_one() -> None:
    """And a path that is not there is named."""
    with pytest.raises(RequestError, match="did you mean 'scpi-1999'"):
        load_dialect("scpi-199")
    with pytest.raises(RequestError, match="cannot be read"):
        load_dialect("/nowhere/mine.toml")


def test_lines_are_found_for_keys_in_every_spelling() -> None:
    """Quoted keys, dotted keys and keys of inline tables."""
    text = DialectText("x", 'a = 1\n[b."c d"]\ne.f = 2\n"g" = {h = 3}\n')
    assert text.line_of(("a",)) == 1
    assert text.line_of(("b", "c d")) == 2
    assert text.line_of(("b", "c d", "e", "f")) == 3
    assert text.line_of(("b", "c d", "g", "h")) == 4
    assert text.line_of(("z",)) is None


def test_every_key_of_the_format_is_explained_in_the_shipped_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """The README sends people there: what can be read is in its comments, word by word."""
    asked: set[str] = set()
    for method in ("take", "take_optional", "table"):
        monkeypatch.setattr(Table, method, _noting(asked, getattr(Table, method)))
    load_dialect("scpi-1999")
    load_dialect(SHIPPED.parents[3] / "tests" / "drivers" / "lantern.toml")
    comments = [line for line in SHIPPED.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    explained = set(re.findall(r"\w+", " ".join(comments)))
    assert {"write", "query", "means"} <= asked
    units = {unit for unit in UNITS if unit not in ("dB", "ratio", "gain", "number")}
    meanings = {word for meaning in MEANINGS for word in re.findall(r"\w+", meaning)}
    of_other_files = {
        "lead",
        "A",
        "B",
        "1",
        "2",
        "single",
        "type",
        "reference",
        "filter",
        "holdoff",
        "polarity",
        "factor",
    }
    assert sorted((asked | units | meanings) - explained - of_other_files) == []


def _noting(asked: set[str], method: Callable[..., object]) -> Callable[..., object]:
    def noting(table: Table, key: str, *rest: object) -> object:
        asked.add(key)
        return method(table, key, *rest)

    return noting


LANTERN = Path(__file__).parents[1] / "lantern.toml"
LANTERN_TYPOS: list[tuple[str, str, str]] = [
    ("[identify]", "[identfy]", "identify"),
    ("[channel.probe]", "[channel.prob]", "probe"),
    ("[sweep.interval]", "[sweep.intervall]", "interval"),
    ("[trigger.slope]", "[trigger.slop]", "slope"),
    ("[fetch.windows]", "[fetch.window]", "windows"),
    ("join_queries", "join_querys", "join_queries"),
    ("settle_s", "settl_s", "settle_s"),
    ("left_justified", "left_justifed", "left_justified"),
    ('unit = "mV"', 'unit = "mv"', "mV"),
    ('"per-division"', '"per-divison"', "per-division"),
    ('"little"', '"litle"', "little"),
    ('by = "words"', 'by = "wrods"', "words"),
    ('referred = "input"', 'referred = "imput"', "input"),
    ("TIP {lead}", "TIP {leed}", "lead"),
    ("{first}", "{frist}", "first"),
    ('{on = "Y"', '{onn = "Y"', "on"),
    ("{rising =", "{risng =", "rising"),
    ("sample_interval ns", "sample_intervall ns", "sample_interval"),
    ("time_before us", "time_before uss", "us"),
    ("volts_per_code uV", "volt_per_code uV", "volts_per_code"),
]
FIELDS_OF_ONE_KEY = ("sample_interval", "us", "volts_per_code")


@pytest.mark.parametrize(
    ("right", "typo", "meant"), LANTERN_TYPOS, ids=[typo for _, typo, _ in LANTERN_TYPOS]
)
def test_a_typo_is_told_in_its_line_with_the_nearest_right_word(
    tmp_path: Path, right: str, typo: str, meant: str
) -> None:
    """Wherever it is made: a table, a key, a value, a parameter, a unit, a word, a field of a scale line."""
    text = LANTERN.read_text(encoding="utf-8")
    assert right in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(right, typo, 1), encoding="utf-8")
    said = refused(path)
    line = text[: text.index(right)].count("\n") + 1
    if meant in FIELDS_OF_ONE_KEY:  # a list may go over two lines: it is told where it begins
        line = text[: text.index("fields =")].count("\n") + 1
    assert f"did you mean {meant!r}" in said
    assert f"line {line}:" in said


CHANNEL_NAMES: list[tuple[str, str, str]] = [
    ("words = {A = ", "words = {C = ", "does not know 'C'; did you mean 'A'?"),
    ("words = {A = ", "words = {CH1 = ", "does not know 'CH1'; did you mean 'A'?"),
    ("words = {A = ", "words = {a = ", "does not know 'a'; did you mean 'A'?"),
]


@pytest.mark.parametrize(("right", "typo", "said"), CHANNEL_NAMES, ids=[typo for _, typo, _ in CHANNEL_NAMES])
def test_a_wrong_channel_name_is_told_with_the_one_that_lacks_its_word(
    tmp_path: Path, right: str, typo: str, said: str
) -> None:
    """However little the two look like each other: no other one can be meant."""
    text = LANTERN.read_text(encoding="utf-8")
    assert text.count(right) == 1
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(right, typo), encoding="utf-8")
    line = line_of(path, typo)
    assert f"line {line}: [trigger.source.words] {said}" in refused(path)


def test_a_letter_that_looks_like_a_digit_is_taken_for_it(tmp_path: Path) -> None:
    """`NRI` in a printed manual is NR1; a word that is equally near to some is told with each of them."""
    path = changed(tmp_path, 'number = "NR1"', 'number = "NRI"')
    assert "number = 'NRI': is not allowed; did you mean 'NR1'?" in refused(path)
    path = changed(tmp_path, 'number = "NR1"', 'number = "NR9"')
    assert "did you mean 'NR1', 'NR2', 'NR3' or 'NRf'?" in refused(path)
