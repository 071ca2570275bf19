"""Status against IEEE 488.2 clause 11 and SCPI-1999 (table of standards 1.2, 1.3, 2.2 and 2.3)."""

from __future__ import annotations

import pytest

from simulator.scope.errors import QUEUE_LENGTH, TEXTS, ErrorQueue, error_text, event_bit
from simulator.scope.status import Register
from tests.simulator.desk import Desk


def test_worked_example_a_an_unknown_header_is_seen_everywhere() -> None:
    """1.3 A [calc]: ESR 32, ESB 32, queue 4, MSS 64: *STB? = 100; then the queue, then ESR, then all is 0."""
    desk = Desk()
    desk.ask("*CLS;*ESE 60;*SRE 32")
    desk.ask("BOGUS")
    assert desk.ask("*STB?") == "100"
    assert desk.ask("SYST:ERR?").startswith('-113,"Undefined header')
    assert desk.ask("*ESR?") == "32"
    assert desk.ask("*ESR?") == "0"
    assert desk.ask("*STB?") == "0"


def test_worked_example_b_opc_requests_service_when_the_record_is_there() -> None:
    """1.3 B: *ESE 1;*SRE 32;INIT;*OPC -> at the end ESR bit 0, STB = 32 + 64 = 96."""
    desk = Desk()
    desk.tell("*CLS;*ESE 1;*SRE 32;:TRIG:SOUR BUS;:SENS:SWE:OREF:LOC 0;:INIT;*OPC")
    assert desk.ask("*STB?") == "0"
    desk.ask("*TRG")
    desk.clock.spend(1.0)
    assert desk.ask("*STB?") == "96"
    assert desk.ask("*ESR?") == "1"


def test_worked_example_c_sums_of_bits_are_kept() -> None:
    """1.3 C: 140 = 4 + 8 + 128."""
    desk = Desk()
    desk.tell("*ESE 140")
    assert desk.ask("*ESE?") == str(4 + 8 + 128)


def test_bit_6_of_the_service_enable_reads_back_0() -> None:
    """10.34: bit 6 is ignored."""
    desk = Desk()
    desk.tell("*SRE 255")
    assert desk.ask("*SRE?") == "191"


def test_power_on_is_an_event_and_not_an_error() -> None:
    """11.5.1 bit 7; the queue is empty after power-on."""
    desk = Desk()
    assert desk.ask("*ESR?") == "128"
    assert desk.ask("SYST:ERR?") == '0,"No error"'


def test_opc_query_sets_no_event() -> None:
    """10.19 [read]: *OPC? answers 1 and sets no ESR bit."""
    desk = Desk()
    desk.ask("*CLS")
    assert desk.ask("INIT;*OPC?") == "1"
    assert desk.ask("*ESR?") == "0"


def test_a_message_in_the_output_queue_is_bit_4() -> None:
    """MAV: the response before is still there when *STB? is carried out."""
    desk = Desk()
    desk.ask("*CLS")
    assert desk.ask("SYST:VERS?;*STB?") == "1999.0;16"


def test_cls_drops_a_pending_opc_and_leaves_the_masks() -> None:
    """10.3."""
    desk = Desk()
    desk.ask("*CLS;*ESE 1;:TRIG:SOUR HOLD;:INIT;*OPC;*CLS;:ABOR")
    assert desk.ask("*ESR?;*ESE?") == "0;1"


@pytest.mark.parametrize(
    ("number", "weight"),
    [
        *[(-100, 32), (-113, 32), (-178, 32), (-222, 16), (-200, 16), (-299, 16), (-330, 8), (-350, 8)],
        *[(42, 8), (32767, 8), (-410, 4), (-440, 4), (-500, 128), (-600, 64), (-700, 2), (-800, 1)],
    ],
)
def test_each_class_of_errors_has_its_event_bit(number: int, weight: int) -> None:
    """11.5.1 [read]."""
    assert event_bit(number) == weight


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "No error"),
        (-102, "Syntax error"),
        (-109, "Missing parameter"),
        (-113, "Undefined header"),
        (-213, "Init ignored"),
        (-222, "Data out of range"),
        (-224, "Illegal parameter value"),
        (-230, "Data corrupt or stale"),
        (-330, "Self-test failed"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
        (-440, "Query UNTERMINATED after indefinite response"),
    ],
)
def test_errors_have_the_published_words(number: int, text: str) -> None:
    """vol. 2 ch. 21 [read]."""
    assert TEXTS[number] == text
    assert error_text(number) == f'{number},"{text}"'


def test_a_full_queue_ends_with_overflow() -> None:
    """FIFO; the last entry becomes -350, the oldest stay."""
    queue = ErrorQueue()
    for number in range(QUEUE_LENGTH + 5):
        queue.add(-100 - number % 3)
    taken = [int(queue.take().split(",")[0]) for _ in range(QUEUE_LENGTH)]
    assert taken[0] == -100
    assert taken[-1] == -350
    assert queue.take() == '0,"No error"'


def test_the_companions_of_the_error_query() -> None:
    """COUNt, CODE and ALL: removed by reading."""
    desk = Desk()
    desk.ask("*CLS;:TRIG:LEV 1E9;LEV 'x'")
    assert desk.ask("SYST:ERR:COUN?") == "2"
    assert desk.ask("SYST:ERR:CODE?") == "-222"
    assert desk.ask("SYST:ERR:ALL?").startswith("-104,")
    assert desk.ask("SYST:ERR:COUN?") == "0"


def test_transition_filters_choose_the_edges_that_latch() -> None:
    """STATus: PTRansition latches rising, NTRansition falling conditions; reading the event clears it."""
    register = Register()
    register.set_condition(8)
    register.set_condition(0)
    assert register.take_event() == 8
    assert register.take_event() == 0
    register.positive, register.negative = 0, 8
    register.set_condition(8)
    assert register.event == 0
    register.set_condition(0)
    assert register.event == 8


def test_operation_status_goes_into_the_status_byte() -> None:
    """2.3: OPER summary is bit 7; a whole shot passed between two messages is not missed."""
    desk = Desk()
    desk.ask("*CLS;:STAT:OPER:ENAB 8;:INIT")
    desk.clock.spend(1.0)
    assert desk.ask("*STB?") == "128"
    assert desk.ask("STAT:OPER:EVEN?") == "40"
    assert desk.ask("STAT:OPER?;*STB?").split(";")[0] == "0"


def test_preset_and_bit_15() -> None:
    """STATus:PRESet: enables 0, PTR 32767, NTR 0; bit 15 is always 0; ESE is left alone."""
    desk = Desk()
    desk.tell("*ESE 5;:STAT:QUES:ENAB 65535;NTR 3;PTR 1")
    assert desk.ask("STAT:QUES:ENAB?") == "32767"
    desk.tell("STAT:PRES")
    assert desk.ask("STAT:QUES:ENAB?;PTR?;NTR?;*ESE?") == "0;32767;0;5"


def test_a_failed_self_test_says_so_in_both_places() -> None:
    """10.38: another answer than 0; -330 in the queue."""
    desk = Desk(bench="self-test-fails")
    desk.ask("*CLS")
    assert desk.ask("*TST?") == "3"
    assert desk.ask("SYST:ERR:CODE?") == "-330"
    assert Desk().ask("*TST?") == "0"
