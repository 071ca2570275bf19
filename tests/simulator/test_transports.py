"""The real ports: raw socket and HiSLIP, several at once, byte for byte where a standard gives the bytes."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from simulator.bench import Bench, open_benches
from tests.simulator.clients import Hislip, Raw, Received, port_of


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches() as (running,):
        yield running


def test_one_message_a_line_both_ways(bench: Bench) -> None:
    """Table of standards 3.1: NL ends a message, several may come in one segment or byte by byte."""
    with Raw(bench.addresses.socket) as scope:
        scope.write("*IDN?\nSYST:VERS?")
        assert scope.read_line().count(b",") == 3
        assert scope.read_line() == b"1999.0"
        for byte in b"SYST:VERS?\n":
            scope.socket.sendall(bytes([byte]))
        assert scope.read_line() == b"1999.0"


def test_a_block_carries_line_feeds_as_data(bench: Bench) -> None:
    """A flat trace at code 10 is all NL: the length counts, not the NL."""
    with Raw(bench.addresses.socket) as scope:
        scope.write(
            "*RST;:SENS:CORR ON;CORR:LOSS 20;:SENS:VOLT:RANG:PTP 25.6;OFFS 2.28;:TRIG:SOUR IMM;:FORM INT,8"
        )
        data = scope.block("SENS:SWE:POIN 5000;:INIT;*WAI;:FETC:VOLT? (@1)")
        assert len(data) == 5000
        assert data.count(b"\n") > 2000
        assert scope.ask("SYST:ERR?") == '0,"No error"'


def test_a_message_without_end_is_refused(bench: Bench) -> None:
    """-363 Input buffer overrun; the next message is understood."""
    with Raw(bench.addresses.socket) as scope, Raw(bench.addresses.socket) as other:
        scope.socket.sendall(b"X" * (1 << 20) + b"Y")
        while other.ask("SYST:ERR:COUN?") == "0":
            pass
        assert other.ask("SYST:ERR:CODE?") == "-363"
        assert scope.ask("SYST:VERS?") == "1999.0"


def test_several_controllers_are_served_at_once(bench: Bench) -> None:
    """Settings are the instrument's, answers the connection's."""
    with (
        Raw(bench.addresses.socket) as one,
        Raw(bench.addresses.socket) as two,
        Hislip(bench.addresses.hislip) as three,
    ):
        one.write("TRIG:LEV 1.25")
        assert float(one.ask("TRIG:LEV?")) == 1.25
        two.write("*IDN?")
        assert float(three.ask("TRIG:LEV?")) == 1.25
        assert two.read_line().count(b",") == 3


def test_a_controller_that_waits_for_ever_can_leave(bench: Bench) -> None:
    """*OPC? on a scope that never triggers: the others go on, and so does the bench when it closes."""
    with Raw(bench.addresses.socket) as waiting, Raw(bench.addresses.socket) as other:
        waiting.write("TRIG:SOUR HOLD;:INIT;*OPC?")
        while other.ask("STAT:OPER:COND?") != "40":
            pass
        waiting.socket.close()
        assert other.ask("STAT:OPER:COND?") == "40"


def test_hislip_begins_with_the_published_bytes(bench: Bench) -> None:
    """3.3 [calc from the header layout]: Initialize byte for byte; version 1.0, a session, no overlap."""
    with Hislip(bench.addresses.hislip) as scope:
        kind, control, parameter, payload = scope.initialize_response
        assert (kind, control, parameter >> 16, payload) == (1, 0, 0x0100, b"")
        assert scope.initialize_async_response[0] == 18
        scope.sync.sendall(bytes.fromhex("48 53 07 00 FF FF FF 00 00 00 00 00 00 00 00 06 2A 49 44 4E 3F 0A"))
        kind, _, parameter, payload = scope.receive(scope.sync)
        assert (kind, parameter) == (7, 0xFFFFFF00)
        assert payload.endswith(b"\n")


def test_hislip_messages_may_come_in_parts(bench: Bench) -> None:
    """Data, Data, DataEND are one message."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.send(scope.sync, 6, 0, scope.number, b"SYST:")
        scope.send(scope.sync, 6, 0, scope.number, b"VERS")
        scope.send(scope.sync, 7, 0, scope.number, b"?\n")
        assert scope.read() == b"1999.0\n"


def test_hislip_splits_responses_to_what_the_client_takes(bench: Bench) -> None:
    """AsyncMaximumMessageSize both ways: parts of at most that size, only the last with END."""
    with Hislip(bench.addresses.hislip) as scope:
        kind, _, _, payload = scope.call(15, payload=(1000).to_bytes(8, "big"))
        assert kind == 16
        assert int.from_bytes(payload, "big") >= 1 << 20
        scope.write("TRIG:SOUR IMM;:FORM INT,8;:SENS:SWE:POIN 3500;:INIT;*WAI;:FETC?")
        parts: list[Received] = []
        while not parts or parts[-1][0] == 6:
            parts.append(scope.receive(scope.sync))
        assert [len(part[3]) for part in parts] == [1000, 1000, 1000, 507]
        assert [part[0] for part in parts] == [6, 6, 6, 7]
        assert b"".join(part[3] for part in parts)[:6] == b"#43500"


def test_hislip_status_query_tells_of_an_unread_response(bench: Bench) -> None:
    """MAV (16) until the client says that it has read: bit 0 of the control code."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("*CLS")
        assert scope.call(21, 1, scope.number)[:2] == (22, 0)
        scope.write("*ESR?")
        scope.read()
        assert scope.call(21, 0, scope.number)[:2] == (22, 16)
        assert scope.call(21, 1, scope.number)[:2] == (22, 0)


def test_hislip_interrupted_response_is_minus_410(bench: Bench) -> None:
    """488.2 6.3.2.3: a new message before the response was read: Interrupted on both, then its answer."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("*CLS")
        scope.write("SYST:VERS?")
        assert scope.receive(scope.sync)[0] == 7
        number = scope.write("SYST:ERR?", delivered=False)
        assert scope.receive(scope.sync)[:3] == (13, 0, number)
        assert scope.receive(scope.asynchronous)[:3] == (14, 0, number)
        assert scope.read().startswith(b"-410,")


def test_hislip_device_clear_ends_an_endless_wait(bench: Bench) -> None:
    """AsyncDeviceClear, acknowledge, DeviceClearComplete, acknowledge; then the scope answers again."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("STAT:OPER:ENAB 32")
        scope.write("TRIG:SOUR HOLD;:INIT;*OPC?")
        while scope.call(21, 1, scope.number)[1] & 128 == 0:
            pass  # OPERation summary: it is armed, so the message is being carried out
        assert scope.call(19)[0] == 23
        scope.send(scope.sync, 8)
        assert scope.receive(scope.sync)[0] == 9
        scope.number = 0xFFFFFF00
        assert scope.ask("STAT:OPER:COND?") == "40"


def test_hislip_locks_keep_others_out(bench: Bench) -> None:
    """Exclusive: the other's request fails after its time, its messages wait until the lock goes."""
    with Hislip(bench.addresses.hislip) as one, Hislip(bench.addresses.hislip) as two:
        assert one.call(4, 1, 0)[:2] == (5, 1)
        assert two.call(24)[:3] == (25, 1, 1)
        assert two.call(4, 1, 50)[:2] == (5, 0)
        two.write("SYST:VERS?")
        assert one.ask("SYST:VERS?") == "1999.0"
        assert one.call(4, 0, one.number)[:2] == (5, 1)
        assert two.read() == b"1999.0\n"
        assert one.call(4, 0, one.number)[:2] == (5, 3)


def test_hislip_shared_locks_share_a_key(bench: Bench) -> None:
    """The same key is let in, another one is not; leaving gives the lock back."""
    with Hislip(bench.addresses.hislip) as one:
        with Hislip(bench.addresses.hislip) as two:
            assert one.call(4, 1, 0, b"lab")[:2] == (5, 1)
            assert two.call(4, 1, 0, b"lab")[:2] == (5, 1)
            assert one.call(24)[:3] == (25, 0, 2)
        with Hislip(bench.addresses.hislip) as three:
            assert three.call(4, 1, 20, b"other")[:2] == (5, 0)
        assert one.call(4, 0, one.number)[:2] == (5, 2)


def test_hislip_requests_service(bench: Bench) -> None:
    """AsyncServiceRequest with the status byte when an enabled bit comes."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("*CLS;*ESE 32;*SRE 32")
        scope.write("BOGUS")
        kind, byte, _, _ = scope.receive(scope.asynchronous)
        assert (kind, byte & 96) == (20, 96)


def test_hislip_trigger_is_trg(bench: Bench) -> None:
    """The Trigger message fires a scope whose source is the bus."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("TRIG:SOUR BUS;:SENS:SWE:OREF:LOC 0;:INIT")
        assert scope.ask("STAT:OPER:COND?") == "40"
        scope.send(scope.sync, 12, 1, scope.number)
        assert scope.ask("*OPC?") == "1"


def test_hislip_refuses_what_it_does_not_know(bench: Bench) -> None:
    """Error 1 for an unknown type on either channel, 2 for a control code, 4 for too large a payload."""
    with Hislip(bench.addresses.hislip) as scope:
        assert scope.call(200)[:2] == (3, 1)
        assert scope.call(10, 9)[:2] == (3, 2)
        assert scope.call(10, 1)[0] == 11
        scope.send(scope.sync, 99)
        assert scope.receive(scope.sync)[:2] == (3, 1)
        scope.send(scope.sync, 7, 1, scope.number, b" " * ((1 << 20) + 1))
        assert scope.receive(scope.sync)[:2] == (3, 4)
        assert scope.ask("SYST:VERS?") == "1999.0"


@pytest.mark.parametrize(
    ("first", "code"),
    [
        (b"XX" + bytes(14), 1),
        (bytes.fromhex("48 53 07 00 FF FF FF 00 00 00 00 00 00 00 00 00"), 3),
        (bytes.fromhex("48 53 11 00 00 00 77 77 00 00 00 00 00 00 00 00"), 3),
        (bytes.fromhex("48 53 00 00 01 00 58 58 00 00 00 00 00 00 00 05") + b"other", 3),
    ],
)
def test_hislip_ends_a_wrong_beginning_with_a_fatal_error(bench: Bench, first: bytes, code: int) -> None:
    """FatalError 1 for a bad header, 3 for a wrong order, an unknown session or another sub-address."""
    with socket.create_connection(("127.0.0.1", port_of(bench.addresses.hislip)), timeout=10) as raw:
        raw.sendall(first)
        answer = raw.recv(16)
        assert answer[:4] == bytes([0x48, 0x53, 2, code])
        assert raw.recv(1) == b""


def test_hislip_needs_both_channels(bench: Bench) -> None:
    """FatalError 2 when data comes before the asynchronous channel is there."""
    with socket.create_connection(("127.0.0.1", port_of(bench.addresses.hislip)), timeout=10) as raw:
        raw.sendall(bytes.fromhex("48 53 00 00 01 00 58 58 00 00 00 00 00 00 00 00"))
        assert raw.recv(16)[2] == 1
        raw.sendall(bytes.fromhex("48 53 07 00 FF FF FF 00 00 00 00 00 00 00 00 06 2A 49 44 4E 3F 0A"))
        assert raw.recv(16)[2:4] == bytes([2, 2])


FIXED = "TRIG:SOUR IMM;:FORM INT,8;:SENS:SWE:POIN 5000;:INIT;*OPC?"
HALF = (1 + 1 + 4 + 5000) // 2


@pytest.fixture
def recorded(bench: Bench) -> Iterator[Raw]:
    """A controller on the raw socket with a record of 5000 points."""
    with Raw(bench.addresses.socket) as other:
        assert other.ask(FIXED) == "1"
        yield other


@pytest.mark.parametrize("transport", ["socket", "hislip"])
def test_a_scope_that_dies_in_mid_block_drops_the_connection(
    bench: Bench, recorded: Raw, transport: str
) -> None:
    """Half of the record, then the end; afterwards it works again."""
    recorded.write("DIAG:FAUL 'dies-in-block'")
    assert recorded.ask("DIAG:FAUL?") == '"dies-in-block"'
    if transport == "socket":
        with Raw(bench.addresses.socket) as scope, pytest.raises(ConnectionError):
            scope.block("FETC:VOLT? (@1)")
    else:
        with Hislip(bench.addresses.hislip) as scope, pytest.raises(ConnectionError):
            scope.ask("FETC:VOLT? (@1)")
    assert recorded.ask("DIAG:FAUL?") == '""'
    assert len(recorded.block("FETC:VOLT? (@1)")) == 5000


@pytest.mark.usefixtures("recorded")
def test_a_scope_that_stalls_in_mid_block_keeps_the_connection(bench: Bench) -> None:
    """Half of the record and nothing more, until the controller goes on."""
    with Raw(bench.addresses.socket) as scope:
        bench.scope.switches.set("stalls-in-block")
        scope.write("FETC:VOLT? (@1)")
        assert scope.read_exactly(HALF)[:6] == b"#45000"
        assert is_quiet(scope.socket)
        assert scope.ask("SYST:VERS?") == "1999.0"


@pytest.mark.usefixtures("recorded")
def test_a_short_block_ends_early(bench: Bench) -> None:
    """The header announces 5000 bytes; NL, or END, comes after half of it."""
    with Hislip(bench.addresses.hislip) as scope:
        bench.scope.switches.set("short-block")
        scope.write("FETC:VOLT? (@1)")
        whole = scope.read()
        assert whole[:6] == b"#45000"
        assert len(whole) == HALF + 1


def test_a_silent_scope_carries_out_and_says_nothing(bench: Bench, recorded: Raw) -> None:
    """The command was heard, the answer never comes; the next one does."""
    with Raw(bench.addresses.socket) as scope:
        scope.write("DIAG:FAUL 'silent';:TRIG:LEV 1.5;:SYST:VERS?")
        while float(recorded.ask("TRIG:LEV?")) != 1.5:
            pass
        assert is_quiet(scope.socket)
        assert scope.ask("*ESE?") == "0"


def test_a_dripping_and_a_late_scope_send_everything_in_the_end(bench: Bench, recorded: Raw) -> None:
    """Nothing is lost, it only takes its time."""
    bench.scope.switches.set("drips")
    assert len(recorded.block("FETC:VOLT? (@1)")) == 5000
    with Hislip(bench.addresses.hislip) as scope:
        bench.scope.switches.set("late")
        assert scope.ask("SYST:VERS?") == "1999.0"


def test_a_scope_may_leave_out_its_newline(bench: Bench) -> None:
    """END alone ends a HiSLIP message then."""
    with Hislip(bench.addresses.hislip) as scope:
        scope.write("DIAG:FAUL 'no-newline';:SYST:VERS?")
        assert scope.read() == b"1999.0"


def is_quiet(connection: socket.socket) -> bool:
    """Nothing has come; what was sent before is there at once on loopback."""
    connection.setblocking(False)
    try:
        return connection.recv(1) is None
    except BlockingIOError:
        return True
    finally:
        connection.settimeout(10)
