"""The VXI-11 port, call by call: program and procedure numbers, flags, reasons and errors of standards 3.2
[lib], the layout of calls and replies of RFC 5531 (RPC) and RFC 4506 (XDR) [memory]."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator

import pytest

from simulator.bench import Bench, open_benches
from tests.simulator.clients import Hislip, Raw, Vxi11

REQCNT, CHR, END = 1, 2, 4
FIXED = "TRIG:SOUR IMM;:FORM INT,8;:SENS:SWE:POIN 5000;:INIT;*OPC?"


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches() as (running,):
        yield running


@pytest.fixture
def scope(bench: Bench) -> Iterator[Vxi11]:
    with Vxi11(bench.addresses.vxi11) as link:
        yield link


def test_a_link_says_where_to_abort_and_how_much_it_takes(scope: Vxi11) -> None:
    """create_link: no error, a number, the abort port, at least 1024 bytes a write (3.2 [memory])."""
    assert scope.error == 0
    assert scope.abort_port > 1023
    assert scope.largest >= 1024


def test_a_call_and_its_reply_have_the_published_layout(scope: Vxi11) -> None:
    """RFC 5531: xid, CALL 0, version 2, program, version, procedure, two empty authenticators; the reply
    xid, REPLY 1, accepted 0, empty verifier, success 0."""
    scope.core.sendall(
        bytes.fromhex(
            "80 00 00 28  00 00 BE EF  00 00 00 00  00 00 00 02  00 06 07 AF  00 00 00 01  00 00 00 00"
            "  00 00 00 00  00 00 00 00  00 00 00 00  00 00 00 00"
        )
    )
    assert scope.reply() == bytes.fromhex(
        "00 00 BE EF  00 00 00 01  00 00 00 00  00 00 00 00  00 00 00 00  00 00 00 00"
    )


def test_a_call_may_come_in_fragments(scope: Vxi11) -> None:
    """Record marking: the highest bit of the mark says which fragment is the last."""
    head = struct.pack("!10I", 1, 0, 2, 0x0607AF, 1, 0, 0, 0, 0, 0)
    for place in range(0, 40, 8):
        mark = 8 | (0x80000000 if place == 32 else 0)
        scope.core.sendall(struct.pack("!I", mark) + head[place : place + 8])
    assert scope.reply()[:4] == head[:4]


@pytest.mark.parametrize(
    ("program", "version", "procedure", "accepted"),
    [(0x0607B1, 1, 0, [1]), (0x0607AF, 2, 0, [2, 1, 1]), (0x0607AF, 1, 99, [3]), (0x0607AF, 1, 11, [4])],
)
def test_wrong_calls_get_the_answers_of_rpc(
    scope: Vxi11, program: int, version: int, procedure: int, accepted: list[int]
) -> None:
    """RFC 5531 accept states: 1 no such program, 2 version (lowest, highest), 3 procedure, 4 arguments."""
    scope.start(procedure, b"", program=program, version=version)
    reply = scope.reply()
    assert list(struct.unpack(f"!{len(accepted)}I", reply[20:])) == accepted
    assert scope.ask("SYST:VERS?") == "1999.0"


def test_another_version_of_rpc_is_denied(scope: Vxi11) -> None:
    """RFC 5531: reply denied 1, mismatch 0, lowest and highest 2."""
    record = struct.pack("!10I", 5, 0, 3, 0x0607AF, 1, 0, 0, 0, 0, 0)
    scope.core.sendall(struct.pack("!I", 0x80000000 | len(record)) + record)
    assert struct.unpack("!6I", scope.reply()) == (5, 1, 1, 0, 2, 2)


def test_an_unknown_device_is_not_accessible(scope: Vxi11) -> None:
    """Error 3; nothing but inst0 is there."""
    answer = scope.call(10, struct.pack("!iIII", 1, 0, 0, 4) + b"gpib")
    assert struct.unpack("!iiII", answer) == (3, 0, 0, 0)


def test_a_message_may_come_in_parts_and_ends_with_the_end_flag(scope: Vxi11) -> None:
    """Flag 8 on the last device_write only."""
    assert scope.write(b"SYST:", flags=0) == (0, 5)
    assert scope.write(b"VERS?\n") == (0, 6)
    assert scope.read() == (0, END, b"1999.0\n")


def test_a_read_says_why_it_stopped(scope: Vxi11) -> None:
    """REQCNT when as many bytes came as were asked for, CHR at the character, END at the end; together."""
    scope.write(b"*ESE?;*SRE?;:SYST:VERS?\n")
    assert scope.read(1) == (0, REQCNT, b"0")
    assert scope.read(100, flags=128, stop=ord(";")) == (0, CHR, b";")
    assert scope.read(2, flags=128, stop=ord(";")) == (0, CHR | REQCNT, b"0;")
    assert scope.read(7) == (0, REQCNT | END, b"1999.0\n")


def test_a_query_that_was_never_asked_is_minus_420(scope: Vxi11) -> None:
    """488.2 6.3.2.2 UNTERMINATED: error 15 after the io time-out, and QYE -420 in the queue; also after a
    command that has no answer."""
    scope.write(b"*CLS\n")
    assert scope.read(io_ms=20) == (15, 0, b"")
    assert scope.ask("SYST:ERR?").startswith("-420,")
    assert scope.ask("SYST:ERR?").startswith("0,")


def test_an_unread_answer_is_dropped_and_is_minus_410(scope: Vxi11) -> None:
    """488.2 6.3.2.3 INTERRUPTED: the new message is carried out."""
    scope.write(b"*CLS;:SYST:VERS?\n")
    assert scope.ask("SYST:ERR?").startswith("-410,")


def test_status_byte_trigger_and_local_have_their_calls(scope: Vxi11) -> None:
    """readstb: MAV 16 while an answer is unread; trigger is *TRG; remote and local are taken."""
    scope.write(b"*CLS;:SYST:VERS?\n")
    assert struct.unpack("!iI", scope.generic(13)) == (0, 16)
    scope.read()
    assert struct.unpack("!iI", scope.generic(13)) == (0, 0)
    scope.write(b"TRIG:SOUR BUS;:SENS:SWE:OREF:LOC 0;:INIT\n")
    assert scope.error_of(14) == 0
    assert scope.ask("*OPC?") == "1"
    assert scope.error_of(16) == scope.error_of(17) == 0


def test_device_clear_ends_an_endless_wait(scope: Vxi11) -> None:
    """*OPC? on a scope that never triggers: a read times out, a clear frees the link."""
    assert scope.write(b"TRIG:SOUR HOLD;:INIT;*OPC?\n") == (0, 27)
    assert scope.read(io_ms=20) == (15, 0, b"")
    assert scope.error_of(15) == 0
    assert scope.ask("STAT:OPER:COND?") == "40"


def test_abort_ends_a_read_that_waits(scope: Vxi11) -> None:
    """device_abort on the other channel: the read comes back with error 23, the link lives."""
    scope.write(b"TRIG:SOUR HOLD;:INIT;*OPC?\n")
    scope.start(12, struct.pack("!iIIIii", scope.link, 100, 50_000, 0, 0, 0))
    with socket.create_connection(("127.0.0.1", scope.abort_port), timeout=10) as channel:
        error = 0
        while error == 0:  # an abort that comes before the read has begun ends nothing
            record = struct.pack("!11I", 1, 0, 2, 0x0607B0, 1, 1, 0, 0, 0, 0, scope.link)
            channel.sendall(struct.pack("!I", 0x80000000 | len(record)) + record)
            assert struct.unpack("!8I", channel.recv(64))[2:] == (1, 0, 0, 0, 0, 0)
            scope.core.settimeout(0.05)
            try:
                error = scope.unpack_read(scope.result())[0]
            except TimeoutError:
                continue
    scope.core.settimeout(10)
    assert error == 23
    scope.generic(15)
    assert scope.ask("SYST:VERS?") == "1999.0"


def test_a_lock_keeps_others_out(bench: Bench, scope: Vxi11) -> None:
    """11 at once, or after lock_timeout with the wait-lock flag; 12 when there is none to give back."""
    with Vxi11(bench.addresses.vxi11) as other:
        assert scope.of_link(19) == 12
        assert scope.lock() == 0
        assert other.lock() == 11
        assert other.lock(wait_ms=20) == 11
        assert other.write(b"*CLS\n") == (11, 0)
        assert other.write(b"*CLS\n", flags=9, lock_ms=20) == (11, 0)
        assert other.error_of(13) == other.error_of(15) == 11
        assert scope.ask("SYST:VERS?") == "1999.0"
        assert scope.of_link(19) == 0
        assert other.lock(wait_ms=5000) == 0
    assert scope.lock(wait_ms=5000) == 0  # whoever leaves gives it back


def test_a_lock_counts_over_hislip_too(bench: Bench) -> None:
    """It is the instrument that is locked, not a port of it."""
    with Vxi11(bench.addresses.vxi11, lock=True) as scope, Hislip(bench.addresses.hislip) as other:
        assert other.call(4, 1, 20)[:2] == (5, 0)
        assert scope.of_link(19) == 0
        assert other.call(4, 1, 0)[:2] == (5, 1)
        with Vxi11(bench.addresses.vxi11, lock=True) as late:
            assert late.error == 11


def test_a_destroyed_link_is_invalid(scope: Vxi11) -> None:
    """Error 4 for every call on it."""
    assert scope.of_link(23) == 0
    assert scope.of_link(23) == scope.of_link(19) == scope.lock() == 4
    assert scope.write(b"*CLS\n") == (4, 0)
    assert scope.error_of(13) == scope.error_of(15) == 4


def test_what_is_not_there_says_so(scope: Vxi11) -> None:
    """Error 8: interrupt channel, service request, docmd."""
    for procedure in (20, 22, 25, 26):
        assert scope.call(procedure, b"")[:4] == struct.pack("!i", 8)


def test_too_large_a_write_is_refused(scope: Vxi11) -> None:
    """Error 5; the link lives."""
    assert scope.write(b" " * (scope.largest + 1)) == (5, 0)
    assert scope.ask("SYST:VERS?") == "1999.0"


def test_a_record_comes_in_pieces(bench: Bench, scope: Vxi11) -> None:
    """Every piece as long as asked for, END with the last: the same bytes as on the socket."""
    assert scope.ask(FIXED) == "1"
    scope.write(b"FETC:VOLT? (@1)\n")
    pieces = [scope.read(2000) for _ in range(3)]
    assert [(error, reason, len(data)) for error, reason, data in pieces] == [
        (0, REQCNT, 2000),
        (0, REQCNT, 2000),
        (0, END, 1007),
    ]
    with Raw(bench.addresses.socket) as other:
        assert b"".join(data for _, _, data in pieces)[6:-1] == other.block("FETC:VOLT? (@1)")


def recorded_with(bench: Bench, scope: Vxi11, fault: str) -> None:
    """A record of 5000 points is there, and its answer is asked for with this fault."""
    assert scope.ask(FIXED) == "1"
    bench.scope.switches.set(fault)
    scope.write(b"FETC:VOLT? (@1)\n")


def test_a_scope_that_dies_in_mid_block_drops_the_connection(bench: Bench, scope: Vxi11) -> None:
    """Half of the record, then nobody is there."""
    recorded_with(bench, scope, "dies-in-block")
    with pytest.raises(OSError):
        read_to_the_end(scope)


def test_a_scope_that_stalls_in_mid_block_is_a_time_out(bench: Bench, scope: Vxi11) -> None:
    """Error 15, and it is no UNTERMINATED: the query was asked. What came is there for a smaller read."""
    recorded_with(bench, scope, "stalls-in-block")
    assert scope.read(io_ms=20) == (15, 0, b"")
    assert scope.read(2503)[:2] == (0, REQCNT)
    assert scope.read(io_ms=20) == (15, 0, b"")
    assert scope.ask("SYST:ERR?").startswith("0,")


def test_a_short_block_ends_early(bench: Bench, scope: Vxi11) -> None:
    """END after half of what the header announced."""
    recorded_with(bench, scope, "short-block")
    error, reason, data = scope.read()
    assert (error, reason, len(data)) == (0, END, 2504)


def test_links_end_with_their_connection(bench: Bench) -> None:
    """Three hundred controllers one after the other: as many threads as before."""
    with Raw(bench.addresses.socket) as other:
        assert other.ask("SYST:VERS?") == "1999.0"
        before = threading.active_count()
        for _ in range(300):
            with Vxi11(bench.addresses.vxi11) as scope:
                assert scope.error == 0
        while threading.active_count() > before:
            assert other.ask("SYST:VERS?") == "1999.0"


def read_to_the_end(scope: Vxi11) -> None:
    while scope.read()[1] & END == 0:
        pass
