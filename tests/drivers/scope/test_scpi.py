"""Text and bytes against the published examples. Marks of the sources as in the project's table of standards:
[read] seen in public material, [memory] from memory of the standard, [calc] our own arithmetic from its
rules."""

from __future__ import annotations

import math
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import ReplyError, RequestError
from drivers.scope import scpi
from drivers.scope.capture import Identity
from drivers.scope.dialect import Reply
from drivers.scope.settings import extract

NUMBERS = [
    # IEEE 488.2 8.7.2 NR1
    ("42", 42), ("-7", -7), ("+007", 7),
    # 8.7.3 NR2
    ("12.5", 12.5), ("-0.001", -0.001),
    # 8.7.4 NR3
    ("1.25E+1", 12.5), ("-4.40E-06", -4.40e-06),
    # 7.7.2 NRf: free forms, lower-case e, white space before E [memory]
    ("10", 10), (".5", 0.5), ("5.", 5), ("1e3", 1000), ("+1.0 E -3", 0.001),
    # 7.7.4 non-decimal
    ("#H1F", 31), ("#Q17", 15), ("#B101", 5),
    # the sample counts of two real replies [read, standards 1.6]
    ("#H0000017e", 382), ("#H00001c41", 7233),
    # 8.7.2: blanks around
    ("  42 ", 42),
]  # fmt: skip


@pytest.mark.parametrize(("text", "value"), NUMBERS)
def test_numbers_of_every_form_are_read(text: str, value: float) -> None:
    """NR1, NR2, NR3, NRf and the three non-decimal forms."""
    assert scpi.parse_number(text) == value


@pytest.mark.parametrize("text", ["9.91E37", "9.91E+37", "9.910000E+37", "NAN", "nan"])
def test_not_a_number_has_a_number_of_its_own(text: str) -> None:
    """SCPI-1999 vol. 1 7.2.1.5: NAN is 9.91E37 in a response [memory]."""
    assert math.isnan(scpi.parse_number(text))


@pytest.mark.parametrize(
    ("text", "value"), [("9.9E37", math.inf), ("-9.9E37", -math.inf), ("9.90000E+37", math.inf), ("NINF",
    -math.inf)]
)  # fmt: skip
def test_infinity_has_a_number_of_its_own(text: str, value: float) -> None:
    """SCPI-1999 vol. 1 7.2.1.4: INFinity is 9.9E37 [memory]."""
    assert scpi.parse_number(text) == value


@pytest.mark.parametrize(
    "text", ["", " ", "1.2.3", "12 V", "0x10", "#H", "#B12", "1e", "--1", "½", "1,2", "TRUE"]
)
def test_what_is_no_number_is_refused_with_what_came(text: str) -> None:
    """A reply that is out of step looks just like a wrong one."""
    with pytest.raises(ReplyError) as caught:
        scpi.parse_number(text)
    assert caught.value.expected == "a number"


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-9e36, max_value=9e36))
def test_what_we_say_we_understand(value: float) -> None:
    """A number sent as NRf or NR3 comes back the same within the digits that are sent."""
    for style, digits in (("NRf", 1e-11), ("NR3", 1e-9)):
        assert scpi.parse_number(scpi.number_text(value, style)) == pytest.approx(value, rel=digits, abs=0)


def test_number_styles_look_as_they_should() -> None:
    """NR1 whole, NR2 with a point and no exponent, NR3 with an upper-case E (488.2 8.7.2 to 8.7.4)."""
    assert scpi.number_text(10_000.0, "NR1") == "10000"
    assert scpi.number_text(0.0025, "NR2") == "0.0025"
    assert scpi.number_text(5e-8, "NR3") == "5.000000000E-08"
    assert scpi.number_text(5e-8) == "5E-08"
    assert scpi.number_text(1e6) == "1000000"
    with pytest.raises(RequestError):
        scpi.number_text(math.nan)


@pytest.mark.parametrize(
    ("text", "value"), [("1", True), ("0", False), ("ON", True), ("off", False), ("+1.0", True)]
)
def test_booleans(text: str, value: bool) -> None:
    """SCPI-1999 vol. 1 7.3: answered as 1 or 0 [memory]."""
    assert scpi.parse_boolean(text) is value


def test_a_whole_number_may_come_as_any_form_but_must_be_whole() -> None:
    """`+1.00000E+03` is 1000, 0.5 is no count."""
    assert scpi.parse_integer("+1.00000E+03") == 1000
    for text in ("0.5", "9.91E37", "9.9E37"):
        with pytest.raises(ReplyError):
            scpi.parse_integer(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ('"a ""b"" c"', 'a "b" c'),  # the worked example of 488.2 7.7.5
        ("'it''s'", "it's"),
        ('""', ""),
        (' "x" ', "x"),
    ],
)
def test_strings_in_both_kinds_of_quotes(text: str, value: str) -> None:
    """IEEE 488.2 7.7.5 and 8.7.8: the quote doubled inside."""
    assert scpi.parse_string(text) == value


@given(st.text(st.characters(codec="ascii", exclude_categories=["Cc"])))
def test_a_quoted_string_is_read_back(text: str) -> None:
    """Whatever is in it."""
    assert scpi.parse_string(scpi.quoted(text)) == text


@pytest.mark.parametrize("text", ["", "a", '"', '"a', 'a"', '"a"b"', "'a\""])
def test_what_is_no_string_is_refused(text: str) -> None:
    """END before the closing quote is -151 for an instrument (SCPI-1999 vol. 2 ch. 21 [read]); so it is
    for us."""
    with pytest.raises(ReplyError):
        scpi.parse_string(text)


def test_items_are_split_outside_quotes() -> None:
    """A comma or semicolon in a string belongs to it."""
    assert scpi.split_items('1, "a,b" ,2') == ["1", '"a,b"', "2"]
    assert scpi.split_items("5;\"x;y\";'p;q'", ";") == ["5", '"x;y"', "'p;q'"]
    assert scpi.split_items("") == [""]


def test_an_identity_has_four_fields() -> None:
    """The check value of standards 1.7: `ACME CORP,MODEL 1,0,0`."""
    identity = scpi.parse_identity("ACME CORP,MODEL 1,0,0")
    assert identity == Identity("ACME CORP", "MODEL 1", "0", "0")
    for text in ("", "ACME CORP,MODEL 1", ",,,", "garbage"):
        with pytest.raises(ReplyError):
            scpi.parse_identity(text)


# --- errors
# --------------------------------------------------------------------------------------------------

ENTRIES = [
    # SCPI-1999 vol. 2 ch. 21 [read]; compare the number, not the text
    ('-113,"Undefined header"', -113, "Undefined header"),
    ('0,"No error"', 0, "No error"),
    ('+0,"No error"', 0, "No error"),
    ('-222,"Data out of range;RANG:PTP 1E9"', -222, "Data out of range;RANG:PTP 1E9"),
    ('42,""', 42, ""),
    # seen with instruments that follow it loosely (common practice, no source)
    ("-350,Queue overflow", -350, "Queue overflow"),
    ("0", 0, ""),
]  # fmt: skip


@pytest.mark.parametrize(("text", "number", "words"), ENTRIES)
def test_error_queue_entries(text: str, number: int, words: str) -> None:
    """Number, then text in quotes, possibly with a detail of the device after a semicolon."""
    assert scpi.parse_error(text) == (number, words)


@pytest.mark.parametrize("text", ["", "OK", "3.5", '"-113"', "ACME,1,0,0", '-113,"Undefined'])
def test_what_is_no_error_queue_entry_is_refused(text: str) -> None:
    """The strict form makes the error queue a fence: a stale answer is not taken for one of its entries."""
    with pytest.raises(ReplyError):
        scpi.parse_error(text)


@pytest.mark.parametrize(
    ("number", "bit"),
    [(-113, 32), (-222, 16), (-230, 16), (-350, 8), (-410, 4), (42, 8), (-500, 128), (-600, 64), (-700, 2),
     (-800, 1), (0, 0)],
)  # fmt: skip
def test_each_error_class_sets_its_event_bit(number: int, bit: int) -> None:
    """IEEE 488.2 11.5.1 and SCPI-1999 vol. 2 ch. 21 [read]."""
    assert scpi.event_of_error(number) == bit


def test_events_are_no_faults() -> None:
    """Power on, user request, operation complete are told, not complained of (SCPI-1999 vol. 2 ch. 21
    [read])."""
    queue = [(-500, "Power on"), (-113, "Undefined header"), (-800, "")]
    assert scpi.errors_only(queue) == ((-113, "Undefined header"),)


def test_status_byte_examples() -> None:
    """Worked examples A and B of standards 1.3 [calc from 488.2]."""
    a = scpi.StatusByte.MASTER_SUMMARY | scpi.StatusByte.EVENT_SUMMARY | scpi.StatusByte.ERROR_QUEUE
    assert a == 100
    assert scpi.StatusByte.EVENT_SUMMARY | scpi.StatusByte.MASTER_SUMMARY == 96
    assert scpi.StandardEvent(140) == (
        scpi.StandardEvent.QUERY_ERROR | scpi.StandardEvent.DEVICE_ERROR | scpi.StandardEvent.POWER_ON
    )
    assert scpi.Operation.SWEEPING | scpi.Operation.WAITING_FOR_TRIGGER == 40


# --- blocks
# --------------------------------------------------------------------------------------------------

BLOCKS = [
    (b"#3764" + bytes(764), 764),  # a real reply [read]: 764 bytes = 382 samples, #H0000017e
    (b"#514466" + bytes(14466), 14466),  # another [read]: 7233 samples, #H00001c41
    (b"#800001000" + bytes(1000), 1000),  # leading zeros [read]
    (b"#15HELLO", 5),  # [calc]
    (b"#10", 0),  # [calc]
    (b"#15\n\n\n\n\n\n", 5),  # 0x0A inside a definite block is data
]


@pytest.mark.parametrize(("data", "length"), BLOCKS)
def test_definite_blocks(data: bytes, length: int) -> None:
    """IEEE 488.2 7.7.6 and 8.7.9."""
    assert len(scpi.parse_block(data)) == length
    assert len(scpi.parse_block(data if data.endswith(b"\n") else data + b"\n")) == length


def test_the_published_headers_agree_with_the_counts_beside_them() -> None:
    """The same replies state their number of 16-bit samples: 382 and 7233 [read]."""
    assert 2 * scpi.parse_number("#H0000017e") == 764
    assert 2 * scpi.parse_number("#H00001c41") == 14466


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"#",
        b"#A",
        b"#2 5",
        b"#25HELLO",
        b"#19HELLO",
        b"#0HELLO\n",
        b"HELLO",
        b"#15HELLO WORLD",
        b"5,6,7",
    ],
)
def test_what_is_no_definite_block_is_refused(data: bytes) -> None:
    """-161 for an instrument [read]; `#0` has no end that can be known on a raw socket."""
    with pytest.raises(ReplyError):
        scpi.parse_block(data)


@given(st.binary(max_size=300))
def test_every_payload_survives_a_block(payload: bytes) -> None:
    """No byte has a meaning inside."""
    digits = str(len(payload)).encode()
    assert scpi.parse_block(b"#" + str(len(digits)).encode() + digits + payload + b"\n") == payload


# --- messages
# ------------------------------------------------------------------------------------------------


def test_units_start_at_the_root_again() -> None:
    """SCPI-1999 vol. 1 6.2.4: `SENS:VOLT:RANG 5;:TRIG:LEV 2.5`, and common commands carry no root mark."""
    assert scpi.compose(["SENS:VOLT:RANG 5", "TRIG:LEV 2.5"]) == "SENS:VOLT:RANG 5;:TRIG:LEV 2.5"
    assert scpi.compose(["*CLS", "*SRE 0", "ABOR"]) == "*CLS;*SRE 0;:ABOR"
    assert scpi.compose(["A", "B"], root="") == "A;B"
    assert scpi.compose([]) == ""


@pytest.mark.parametrize(
    ("said", "hint"),
    [
        ("0.165 V", 'suffix = "V"'),
        ("500MV", 'suffix = "MV"'),
        ("0.05 MS/DIV", 'suffix = "MS/DIV"'),
        ("STRETCH P 500MV", 'header = true, suffix = "MV"'),
        ("LEVEL 1.5", "header = true"),
        ("AUTO,50,US", "item = 2"),
        ("P;1000;20", 'item = 2, separator = ";"'),
    ],
)
def test_an_answer_that_is_no_number_is_told_with_what_would_read_it(said: str, hint: str) -> None:
    """The words of a dialect; and they do read it."""
    with pytest.raises(ReplyError, match="is not a number; reply = ") as caught:
        scpi.parse_number(said)
    assert f"reply = {{{hint}}} in the dialect" in str(caught.value)
    keys = tomllib.loads(f"reply = {{{hint}}}")["reply"]
    assert scpi.parse_number(extract(said, Reply(**keys)))
