"""Program data against IEEE 488.2 clause 7 (values of the table of standards, 1.5 to 1.7)."""

from __future__ import annotations

import math
import random

import pytest

from simulator.scope.errors import ScpiError
from simulator.scope.kinds import Choice, multiplier, nr3, quoted
from simulator.scope.syntax import Datum, message_end, units
from tests.simulator.desk import Desk


def data(text: str) -> tuple[Datum, ...]:
    return next(iter(units(f"X {text}".encode("latin-1")))).data


def refused(text: str) -> int:
    with pytest.raises(ScpiError) as caught:
        list(units(text.encode("latin-1")))
    return caught.value.number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("42", 42),
        ("-7", -7),
        ("+007", 7),
        ("12.5", 12.5),
        ("-0.001", -0.001),
        ("1.25E+1", 12.5),
        ("-4.40E-06", -4.4e-6),
        ("10", 10),
        (".5", 0.5),
        ("5.", 5),
        ("1e3", 1000),
        ("+1.0 E -3", 0.001),
        ("#H1F", 31),
        ("#Q17", 15),
        ("#B101", 5),
    ],
)
def test_every_published_form_of_a_number_is_read(text: str, value: float) -> None:
    """NR1, NR2, NR3, NRf (7.7.2, 8.7.2 to 8.7.4), non-decimal numbers (7.7.4): examples of 1.5 [memory]."""
    assert data(text)[0].number == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("10 MS", "S", 0.01),
        ("1 MV", "V", 0.001),
        ("1 MAV", "V", 1e6),
        ("1 MHZ", "HZ", 1e6),
        ("1 MOHM", "OHM", 1e6),
        ("20 DB", "DB", 20),
        ("4.34us", "S", 4.34e-6),
        ("1 EXV", "V", 1e18),
        ("3AV", "V", 3e-18),
    ],
)
def test_suffix_multipliers_are_those_of_the_standard(text: str, unit: str, value: float) -> None:
    """7.7.3 [memory]: M is milli, MA is mega, except in MHZ and MOHM."""
    datum = data(text)[0]
    assert datum.number * multiplier(datum.suffix, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("X 1.2.3", -121),
        ("X 1E32001", -123),
        ("X " + "7" * 256, -124),
        ("ABCDEFGHIJKLM", -112),
        ("X 1 ABCDEFGHIJKLM", -134),
        ("X ABCDEFGHIJKLM", -144),
        ("X 'no end", -151),
        ("X (@1", -171),
        ("X #", -161),
        ("X #A", -161),
        ("X #2 5", -161),
        ("X #15HELL", -161),
        ("X 1,,2", -109),
        ("SENS& 1", -101),
        ("TRIG:LEV2.5", -111),
        ("X #HG", -121),
        ("X 5 V V", -121),
        ("TRIG::LEV 1", -102),
    ],
)
def test_what_the_syntax_forbids_has_its_own_error(text: str, number: int) -> None:
    """Error numbers of SCPI-1999 vol. 2 ch. 21 [read]; the limits 32000, 255 and 12 are 488.2's [read]."""
    assert refused(text) == number


def test_leading_zeros_do_not_count_as_digits() -> None:
    """At most 255 digits, leading zeros not counted (-124) [read]."""
    assert data("0" * 300 + "1")[0].number == 1


def test_a_doubled_quote_inside_a_string_is_one() -> None:
    """7.7.5: `"a ""b"" c"` is `a "b" c`; either quote may be used."""
    assert data('"a ""b"" c"')[0].text == 'a "b" c'
    assert data("'it''s; not, over'")[0].text == "it's; not, over"
    assert quoted('a "b" c') == '"a ""b"" c"'


def test_separators_inside_strings_lists_and_blocks_do_not_count() -> None:
    """Units are split by `;` and data by `,` only where they stand free."""
    found = [unit.words for unit in units(b"A 'x;y',(@1,2);B #13;,;;C?")]
    assert found == [("A",), ("B",), ("C",)]
    assert [datum.text for datum in data("'x,y',(@1,2)")] == ["x,y", "(@1,2)"]


@pytest.mark.parametrize(
    ("text", "inside"), [("#15HELLO", "HELLO"), ("#10", ""), ("#800000005HELLO", "HELLO")]
)
def test_definite_blocks_may_have_leading_zeros_in_their_length(text: str, inside: str) -> None:
    """7.7.6; `#8000...` with eight length digits was seen in a real instrument [read]."""
    assert data(text)[0].text == inside


def test_a_line_feed_inside_a_block_does_not_end_the_message() -> None:
    """On a raw socket NL ends a message, but an NL in a definite block is data."""
    whole = b"X #13a\nb\nY\n"
    assert message_end(whole) == whole.index(b"\nY")
    assert message_end(b"X #13a\n") == -1
    assert message_end(b"X 1") == -1


def test_no_message_can_break_the_scope() -> None:
    """Two thousand damaged messages: each is refused or carried out, and the scope still knows its name."""
    desk, rng = Desk(), random.Random(4)
    good = (
        "SENS1:VOLT:RANG:PTP 5.5 V;OFFS? MAX;:FETC:VOLT? (@1,2);*ESE #H1F;FAUL 'x';:TRIG:SOUR INT2,#15HELLO"
    )
    desk.tell("TRIG:SOUR HOLD")
    for _ in range(2000):
        text = list(good[rng.randrange(len(good)) :])
        for _ in range(rng.randrange(1, 6)):
            place = rng.randrange(len(text) + 1)
            text[place : place + rng.randrange(2)] = rng.choice(
                ["", ";", ":", "?", "#", "'", "(", "\xff", "9", "E", " "]
            )
        desk.ask("".join(text))
    desk.ask("*CLS")
    assert desk.ask("*IDN?").count(",") == 3


def test_words_are_answered_in_short_form() -> None:
    """Character data is answered in upper-case short form; both spellings are taken, in any case."""
    choice = Choice("NORMal|SWAPped|INTernal#")
    assert choice.read(Datum("word", "NORMAL"), None) == "NORM"
    assert choice.read(Datum("word", "SWAP"), None) == "SWAP"
    assert choice.read(Datum("word", "INTERNAL2"), None) == "INT2"
    assert choice.read(Datum("word", "INT"), None) == "INT1"
    with pytest.raises(ScpiError):
        choice.read(Datum("word", "NORMA"), None)


def test_special_values_have_their_published_numbers() -> None:
    """Infinity 9.9E37, not-a-number 9.91E37 (SCPI vol. 1 7.2.1.4, 7.2.1.5) [memory]."""
    assert float(nr3(math.inf)) == 9.9e37
    assert float(nr3(-math.inf)) == -9.9e37
    assert float(nr3(math.nan)) == 9.91e37
    assert nr3(4.34e-6) == "4.340000000000E-06"
