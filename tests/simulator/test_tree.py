"""Headers against SCPI-1999 vol. 1 chapter 6 (rules and traversal table of the table of standards, 2.1)."""

from __future__ import annotations

import re

import pytest

from simulator.scope.commands import COMMANDS, TREE
from simulator.scope.errors import ScpiError
from simulator.scope.kinds import Choice, short
from tests.simulator.desk import Desk


def short_by_rule(word: str) -> str:
    """2.1: four letters or fewer stay; else the first four, but three if the fourth is a vowel."""
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


def pattern_words() -> set[str]:
    headers = {
        word
        for command in COMMANDS
        for word in re.findall(r"[A-Za-z]+", command.pattern)
        if "*" not in command.pattern
    }
    kinds = [kind for command in COMMANDS for kind in command.takes if isinstance(kind, Choice)]
    return headers | {word.rstrip("#") for kind in kinds for word in kind.words.split("|")}


@pytest.mark.parametrize("word", sorted(pattern_words()))
def test_every_word_of_the_table_is_shortened_by_the_rule(word: str) -> None:
    """vol. 1, 6.2.1: the capitals of each word are what the rule gives."""
    assert short(word) == short_by_rule(word)


@pytest.mark.parametrize(
    ("message", "setting", "value"),
    [
        ("SENS:SWE:TINT 1E-8;POIN 500", "SENS:SWE:POIN?", 500),
        ("SENS:VOLT:RANG:PTP 5;:TRIG:LEV 2.5", "TRIG:LEV?", 2.5),
        ("SENS1:VOLT:RANG:PTP 8;OFFS 2.5", "SENS1:VOLT:RANG:OFFS?", 2.5),
        ("TRIG:SOUR INT1;LEV 2.5;SLOP NEG", "TRIG:LEV?", 2.5),
        ("SENS:SWE:POIN 100;*WAI;TINT 1E-7", "SWE:TINT?", 1e-7),
        ("sense1:voltage:dc:range:ptpeak 4", "SENS:VOLT:RANG:PTP?", 4),
        ("swe:poin 77", "SENSE2:SWEEP:POINTS?", 77),
        ("INPUT2:IMPEDANCE 50 ohm", "INP2:IMP?", 50),
    ],
)
def test_headers_are_traversed_as_published(message: str, setting: str, value: float) -> None:
    """The worked traversal table of 2.1 [calc from 6.2.4]; optional nodes, any case, common commands."""
    desk = Desk()
    desk.tell(message)
    assert float(desk.ask(setting)) == pytest.approx(value, rel=1e-12)


def test_the_next_header_is_looked_up_beside_the_one_before() -> None:
    """`SENS:VOLT:RANG 5;TRIG:LEV 2.5` looks for SENS:VOLT:TRIG:LEV and finds nothing (-113)."""
    desk = Desk()
    assert desk.error("SENS:VOLT:RANG 5;TRIG:LEV 2.5") == -113
    assert float(desk.ask("TRIG:LEV?")) == 0


def test_all_three_settings_of_one_place_arrive() -> None:
    """`TRIG:SOUR INT1;LEV 2.5;SLOP NEG`: all three under TRIG."""
    desk = Desk()
    desk.tell("TRIG:SOUR INT1;LEV 2.5;SLOP NEG")
    assert desk.ask("TRIG:SOUR?;SLOP?") == "INT1;NEG"


def test_init_then_opc_query_is_two_units() -> None:
    """`INIT;*OPC?` is INITiate:IMMediate, then *OPC?, which waits for it."""
    desk = Desk()
    assert desk.ask("INIT;*OPC?") == "1"
    assert desk.ask("STAT:OPER:COND?") == "0"


@pytest.mark.parametrize(
    ("words", "number"),
    [
        (("VOLTA",), -113),
        (("SENS", "VOLTA", "RANG"), -113),
        (("TRIGG", "LEV"), -113),
        (("SENS3", "SWE", "POIN"), -114),
        (("INP0", "STAT"), -114),
        (("TRIG2", "LEV"), -113),
        (("SENS",), -113),
    ],
)
def test_only_the_two_spellings_and_our_channels_count(words: tuple[str, ...], number: int) -> None:
    """Nothing between short and long form (-113); a channel that is not there is -114."""
    with pytest.raises(ScpiError) as caught:
        TREE.find(words)
    assert caught.value.number == number


def test_a_missing_channel_number_means_the_first() -> None:
    """6.2.5: the default suffix is 1."""
    assert TREE.find(("SENSE", "SWEEP", "POINTS"))[1] == 1
    assert TREE.find(("INP2",))[1] == 2


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("TRIG:LEV 1,2", -108),
        ("TRIG:LEV", -109),
        ("TRIG:LEV 'x'", -104),
        ("TRIG:LEV 5 HZ", -131),
        ("SENS:SWE:POIN 100 V", -138),
        ("TRIG:LEV UPPER", -141),
        ("TRIG:SLOP SIDE", -224),
        ("TRIG:SLOP 1", -128),
        ("TRIG:LEV #15HELLO", -168),
        ("TRIG:LEV (@1)", -178),
        ("TRIG:LEV 1E9", -222),
        ("SENS:SWE:POIN 0", -222),
        ("SENS:SWE:POIN 1000001", -222),
        ("SENS:SWE:TINT 1E-10", -222),
        ("INP:IMP 75", -224),
        ("FORM INT,12", -224),
        ("FETC:VOLT? (@3)", -222),
        ("FETC:VOLT? (1)", -171),
        ("*IDN", -113),
        ("*RST?", -113),
        ("ABOR?", -113),
        ("*ESE 256", -222),
        ("DIAG:FAUL 'nonsense'", -224),
    ],
)
def test_wrong_parameters_have_the_errors_of_the_table(message: str, number: int) -> None:
    """Causes and numbers of SCPI-1999 vol. 2 ch. 21 [read]."""
    assert Desk().error(message) == number


def test_limits_are_asked_for_by_name() -> None:
    """7.2.1: `? MIN`, `? MAX`, `? DEF`, and MAX as a value."""
    desk = Desk(memory=5000)
    assert desk.ask("SENS:SWE:POIN? MAX") == "5000"
    assert desk.ask("SENS:SWE:POIN? DEF") == "1000"
    desk.tell("SENS:SWE:POIN MAX")
    assert desk.ask("SENS:SWE:POIN?") == "5000"


def test_numbers_are_rounded_and_never_cut() -> None:
    """488.2 7.7.2 [read]: rounding to what can be held is never an error; Booleans are rounded, too."""
    desk = Desk()
    desk.tell("SENS:SWE:POIN 99.6;:INP2:STAT 0.4")
    assert desk.ask("SENS:SWE:POIN?;:INP2?") == "100;0"
    desk.tell("INP2 0.6")
    assert desk.ask("INP2:STAT?") == "1"


def test_units_before_a_bad_one_are_carried_out_and_those_after_it_are_not() -> None:
    """A command error ends its message; an execution error does not."""
    desk = Desk()
    desk.ask("TRIG:LEV 1;BOGUS;LEV 2")
    assert float(desk.ask("TRIG:LEV?")) == 1
    desk.ask("*CLS;:TRIG:LEV 1E9;LEV 3")
    assert float(desk.ask("TRIG:LEV?")) == 3


def test_nothing_may_be_asked_after_an_identity() -> None:
    """488.2 6.5.7.5: a query after an indefinite response in the same message is -440."""
    desk = Desk()
    reply = desk.ask("*IDN?;*ESR?")
    assert len(reply.split(",")) == 4
    assert ";" not in reply
    assert desk.ask("SYST:ERR:CODE?") == "-440"


def test_the_identity_has_four_fields_within_72_characters() -> None:
    """488.2 10.14: maker, model, serial, firmware."""
    identity = Desk().ask("*IDN?")
    assert identity.count(",") == 3
    assert len(identity) <= 72
