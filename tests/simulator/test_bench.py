"""The whole bench over its ports: determinism, pacing, both ways to the adapter, independent clients."""

from __future__ import annotations

import time
import warnings
from typing import Any

import numpy as np
import pytest
import pyvisa
import serial

from simulator.bench import Bench, open_benches
from simulator.clock import RealClock
from tests.simulator.clients import Hislip, Raw

SETTINGS = (
    "*RST;*CLS;:SENS1:CORR ON;:SENS1:CORR:LOSS 20;:SENS2:CORR ON;:SENS2:CORR:LOSS 20"
    ";:SENS1:VOLT:RANG:PTP 5;OFFS 1.65;:SENS2:VOLT:RANG:PTP 5;OFFS 1.65"
    ";:SENS:SWE:TINT 1E-7;POIN 8000;OREF:LOC 0.1"
    ";:TRIG:SOUR INT1;LEV 1.65;SLOP NEG;:FORM INT,8"
)


def link_to(bench: Bench) -> serial.Serial:
    """The serial link over TCP; its time-out is only there to end a hang on a busy machine."""
    return serial.serial_for_url(bench.addresses.serial, timeout=30)


def echo_test(bench: Bench, text: bytes) -> tuple[bytes, bytes, bytes]:
    """Both records and the bytes that came back."""
    with (
        Raw(bench.addresses.socket) as scope,
        link_to(bench) as link,
    ):
        scope.write(SETTINGS)
        scope.write("INIT")
        while scope.ask("STAT:OPER:COND?") != "40":
            pass
        link.write(text)
        echoed = link.read(len(text))
        while scope.ask("STAT:OPER:COND?") != "0":
            pass
        assert scope.ask("SYST:ERR?") == '0,"No error"'
        return scope.block("FETC:VOLT? (@1)"), scope.block("FETC:VOLT? (@2)"), echoed


def test_the_same_seed_and_the_same_commands_give_the_same_codes() -> None:
    """Over real sockets and threads, twice, bit for bit; another seed gives other codes."""
    results = []
    for seed in (5, 5, 6):
        with open_benches(seed=seed) as (bench,):
            results.append([echo_test(bench, b"Tide 7") for _ in range(2)])
    assert results[0] == results[1]
    assert results[0][0] != results[2][0]
    assert results[0][0][0] != results[0][1][0]  # the noise of the second record is new
    assert results[0][0][2] == b"Tide 7"


def test_the_real_clock_shows_the_same_bench() -> None:
    """An echo test in real time: the same bits at the same places, but for noise and the board's jitter."""
    with open_benches(clock="real") as (bench,):
        to_target, from_target, echoed = echo_test(bench, b"Tide 7")
    assert echoed == b"Tide 7"
    edges = np.flatnonzero(np.diff(np.frombuffer(to_target, np.int8) > 0))
    assert edges[0] == pytest.approx(800, abs=1)
    assert (edges[-1] - edges[0]) * 1e-7 == pytest.approx((5 * 10 + 9) / 230400, rel=0.01)
    assert len(np.flatnonzero(np.diff(np.frombuffer(from_target, np.int8) > 0))) == len(edges)


def test_bytes_come_back_no_faster_than_the_line_can_carry_them() -> None:
    """Real clock, 9600 baud: 48 characters take 48 x 1.0417 ms (standards 4.2), and one more to echo."""
    with open_benches(clock="real", baud=9600.0) as (bench,), link_to(bench) as link:
        begin = time.monotonic()
        link.write(bytes(48))
        assert link.read(48) == bytes(48)
        assert time.monotonic() - begin >= 49 * 1.0416e-3


def test_a_long_text_does_not_hold_the_bench_up() -> None:
    """Real clock: 20,000 characters; meanwhile the scope answers, and there is no gap between them."""
    with open_benches(clock="real") as (bench,), link_to(bench) as link, Raw(bench.addresses.socket) as scope:
        link.write(bytes([0x55]) * 20_000)
        assert len(link.read(100)) == 100
        assert scope.ask("SYST:VERS?") == "1999.0"
        assert len(link.read(19_900)) == 19_900
        times = bench.network.to_target.piece(0.0, 1e9).times
        assert np.diff(times[::10]) == pytest.approx(10 * bench.plan.bridge.end.bit_s, rel=1e-6)


def test_one_write_is_one_burst() -> None:
    """Virtual clock: however long, one character follows the other without a gap."""
    with open_benches() as (bench,), link_to(bench) as link:
        link.write(bytes([0x55]) * 4000)
        assert link.read(4000) == bytes([0x55]) * 4000
        times = bench.network.to_target.piece(0.0, 1e9).times
        assert np.diff(times[::10]) == pytest.approx(10 * bench.plan.bridge.end.bit_s, rel=1e-6)


def test_pty_and_socket_reach_the_same_board_at_the_same_time() -> None:
    """What one writes is echoed to both; nothing is lost between them."""
    with open_benches() as (bench,):
        address = bench.addresses
        with (
            serial.serial_for_url(address.serial, timeout=5) as link,
            serial.Serial(address.pty, timeout=5) as pty,
        ):
            link.write(b"ab")
            assert (link.read(2), pty.read(2)) == (b"ab", b"ab")
            pty.write(b"cd")
            assert (link.read(2), pty.read(2)) == (b"cd", b"cd")


def test_a_client_that_never_reads_does_not_stop_the_bench() -> None:
    """Its bytes are lost to it, as at a full port; the others get theirs."""
    with open_benches() as (bench,), link_to(bench) as link:
        for _ in range(3):
            link.write(bytes(4096))
            assert len(link.read(4096)) == 4096  # nobody reads the pty meanwhile


def test_several_benches_are_apart() -> None:
    """Each has its own name, ports, board and parts; seeds of neighbours differ."""
    with open_benches(count=3) as benches:
        assert [bench.addresses.station for bench in benches] == ["sim-1", "sim-2", "sim-3"]
        assert len({bench.addresses.socket for bench in benches}) == 3
        assert len({bench.plan.target.end.clock_ppm for bench in benches}) == 3
        identities = set()
        for bench in benches:
            with Raw(bench.addresses.socket) as scope:
                identities.add(scope.ask("*IDN?"))
        assert len(identities) == 3


def test_waiting_for_a_record_jumps_in_virtual_time() -> None:
    """*OPC? on a record of an hour is answered at once."""
    with open_benches() as (bench,), Raw(bench.addresses.socket) as scope:
        scope.write("SENS:SWE:TINT 1;POIN 3601;:TRIG:SOUR IMM;:INIT")
        assert scope.ask("*OPC?") == "1"
        assert bench.clock.now() > 3600


def test_asking_for_the_status_is_waiting() -> None:
    """A record of ten minutes is polled to its end in a few questions."""
    with open_benches() as (bench,), Raw(bench.addresses.socket) as scope:
        scope.write("SENS:SWE:TINT 1;POIN 601;OREF:LOC 0.5;:TRIG:SOUR IMM;:INIT")
        answers = [scope.ask("STAT:OPER:COND?") for _ in range(4)]
        assert answers == ["8", "8", "0", "0"]


def test_service_is_requested_when_the_record_is_there() -> None:
    """Real clock: nobody asks, and the request comes all the same."""
    with open_benches(clock="real") as (bench,), Hislip(bench.addresses.hislip) as scope:
        scope.write("*CLS;*ESE 1;*SRE 32;:TRIG:SOUR IMM;:SENS:SWE:TINT 1E-5;POIN 2000;:INIT;*OPC")
        kind, byte, _, _ = scope.receive(scope.asynchronous)
        assert (kind, byte) == (20, 96)


def test_a_bench_closes_in_the_middle_of_everything() -> None:
    """A waiting controller, a lock, traffic on the way: the `with` block ends all the same."""
    with open_benches(clock="real") as (bench,):
        scope, waiting = Hislip(bench.addresses.hislip), Raw(bench.addresses.socket)
        link = serial.serial_for_url(bench.addresses.serial, timeout=1)
        scope.call(4, 1, 0)
        waiting.write("TRIG:SOUR HOLD;:INIT;*OPC?")
        link.write(bytes(2000))
    with pytest.raises((ConnectionError, OSError)):
        waiting.read_line()
    link.close()
    waiting.socket.close()
    scope.asynchronous.close()
    scope.sync.close()


def test_real_time_moves_by_itself() -> None:
    """And virtual time does not."""
    clock = RealClock()
    first = clock.now()
    while clock.now() == first:
        pass
    clock.spend(100.0)
    clock.reach(100.0)
    assert clock.now() < 50


@pytest.mark.parametrize("transport", ["socket", "hislip"])
def test_an_independent_client_gets_its_record(transport: str) -> None:
    """pyvisa with pyvisa-py, which was not written by us: identity, settings, status, a block."""
    with open_benches() as (bench,), warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        scope: Any = pyvisa.ResourceManager("@py").open_resource(
            getattr(bench.addresses, transport), read_termination="\n", write_termination="\n", timeout=5000
        )
        assert scope.query("*IDN?").count(",") == 3
        scope.write("*CLS;:TRIG:SOUR IMM;:FORM INT,16;:SENS:SWE:POIN 2000;:INIT;*WAI")
        values = scope.query_binary_values("FETC:VOLT? (@1)", datatype="h", is_big_endian=True)
        assert len(values) == 2000
        assert all(value % 256 == 0 for value in values)
        assert scope.query("SYST:ERR?") == '0,"No error"'
        if transport == "hislip":
            assert scope.read_stb() == 0
            scope.clear()
            assert scope.query("SYST:VERS?") == "1999.0"
        scope.close()
