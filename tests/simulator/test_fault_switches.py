"""Each fault switch does what its line says, seen by a plain client; each can be set over the port itself."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from simulator.bench import Bench, open_benches
from simulator.transports.delivery import CONNECTIONS, FAULTS, SWITCH_NAMES
from tests.simulator.clients import Hislip, Raw, Vxi11, port_of

FIXED = "TRIG:SOUR IMM;:FORM INT,8;:SENS:SWE:POIN 500;:INIT;*OPC?"


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches() as (running,):
        yield running


@pytest.fixture
def scope(bench: Bench) -> Iterator[Hislip]:
    """HiSLIP shows where a message ends, so the whole of a broken answer can be read."""
    with Hislip(bench.addresses.hislip) as session:
        assert session.ask(FIXED) == "1"
        yield session


@pytest.mark.parametrize("name", [fault.name for fault in FAULTS if fault.works_on != CONNECTIONS])
def test_every_switch_of_an_answer_can_be_set_over_the_port(bench: Bench, name: str) -> None:
    """DIAGnostic:FAULt "name",times; 0 switches it off again."""
    with Raw(bench.addresses.socket) as one:
        one.write(f'DIAG:FAUL "{name}",2')
        one.write(f'DIAG:FAUL "{name}",0')
        assert one.ask("DIAG:FAUL?;:SYST:ERR?") == '"";0,"No error"'


def test_an_unknown_switch_is_refused(bench: Bench) -> None:
    """-224 with the names that there are."""
    with Raw(bench.addresses.socket) as one:
        one.write('DIAG:FAUL "hiccups"')
        assert one.ask("SYST:ERR?").startswith("-224,")


def test_every_switch_works_from_the_start() -> None:
    """As the command line sets it: for ever, or so many times."""
    with open_benches(faults=[f"{name}:1" for name in SWITCH_NAMES if name != "refused"]) as (bench,):
        assert set(bench.scope.switches.on().split(",")) == set(SWITCH_NAMES) - {"refused"}


@pytest.mark.parametrize(
    ("fault", "begins", "length"),
    [
        ("short-block", b"#3500", 253),
        ("long-block", b"#3500", 706),
        ("endless-block", b"#0", 503),
        ("line-feeds", b"#3500\n\n\n", 506),
        ("no-newline", b"#3500", 505),
        ("drips", b"#3500", 506),
        ("garbage", b"\x80\x81", 150),
    ],
)
def test_a_record_is_broken_as_the_switch_says(
    bench: Bench, scope: Hislip, fault: str, begins: bytes, length: int
) -> None:
    """500 points: header of 5 bytes, data, NL. The next one is whole again."""
    bench.scope.switches.set(fault)
    scope.write("FETC:VOLT? (@1)")
    broken = scope.read()
    assert broken.startswith(begins)
    assert len(broken) == length
    scope.write("FETC:VOLT? (@1)")
    assert len(scope.read()) == 506


def test_a_text_can_come_with_its_highest_bits_set(bench: Bench, scope: Hislip) -> None:
    """As a 7-bit line with a parity bit would garble it; records are left alone."""
    bench.scope.switches.set("non-ascii")
    scope.write("FETC:VOLT? (@1)")
    assert scope.read().startswith(b"#3500")
    scope.write("SYST:VERS?")
    assert scope.read() == bytes(byte | 0x80 for byte in b"1999.0") + b"\n"


def test_a_text_can_stall_in_its_middle(bench: Bench, scope: Hislip) -> None:
    """Half of it as Data, no DataEND; the next message is answered."""
    bench.scope.switches.set("stalls-in-text")
    scope.write("SYST:VERS?")
    assert scope.receive(scope.sync)[0::3] == (6, b"199")
    assert scope.ask("SYST:VERS?") == "1999.0"


def test_service_can_be_requested_unasked(bench: Bench, scope: Hislip) -> None:
    """AsyncServiceRequest with bit 6 though the mask is 0; the answer comes all the same."""
    bench.scope.switches.set("service-request")
    assert scope.ask("*SRE?") == "0"
    kind, byte, _, _ = scope.receive(scope.asynchronous)
    assert (kind, byte & 64) == (20, 64)


def test_a_scope_can_say_that_it_was_interrupted(bench: Bench, scope: Hislip) -> None:
    """Interrupted and AsyncInterrupted with the message's number, and no answer."""
    bench.scope.switches.set("interrupted")
    number = scope.write("SYST:VERS?")
    assert scope.receive(scope.sync)[:3] == (13, 0, number)
    assert scope.receive(scope.asynchronous)[:3] == (14, 0, number)
    assert scope.ask("SYST:VERS?") == "1999.0"


def addresses(bench: Bench) -> tuple[str, str, str]:
    return bench.addresses.socket, bench.addresses.hislip, bench.addresses.vxi11


def refuses(address: str) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port_of(address)), timeout=10).close()
    except ConnectionRefusedError:
        return True
    return False


def test_a_scope_can_refuse_connections_and_come_back(bench: Bench) -> None:
    """The port answers ECONNREFUSED, as an instrument that is switched off; who was connected is hung up on.
    Afterwards it is the same port."""
    with Raw(bench.addresses.socket) as one:
        one.write('DIAG:FAUL "refused",1000')
        with pytest.raises(ConnectionError):
            one.read_line()
    bench.scope.switches.set("refused", 1000)  # returns when it is so
    assert all(refuses(address) for address in addresses(bench))
    bench.scope.switches.set("refused", 0)
    assert not any(refuses(address) for address in addresses(bench))
    with Raw(bench.addresses.socket) as one, Vxi11(bench.addresses.vxi11) as two:
        assert one.ask("SYST:VERS?") == two.ask("SYST:VERS?") == "1999.0"


def test_a_bench_that_refuses_from_the_start_can_be_closed() -> None:
    """For ever means: until the simulator ends."""
    with open_benches(faults=["refused"]) as (bench,):
        assert refuses(bench.addresses.socket)


def test_a_scope_can_take_a_connection_and_stay_mute(bench: Bench) -> None:
    """Everything is taken, nothing is said; the next connection is served."""
    bench.scope.switches.set("silent-accept")
    with Raw(bench.addresses.socket) as mute, Raw(bench.addresses.socket) as other:
        mute.write("SYST:VERS?")
        assert other.ask("SYST:VERS?") == "1999.0"
        mute.socket.settimeout(0.05)
        with pytest.raises(TimeoutError):
            mute.read_line()
