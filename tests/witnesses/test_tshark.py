"""The simulator's bytes as tshark's dissectors read them: another understanding of the same standards.

The dissectors are lenient (they name what they see and seldom complain): each test asserts on what they name.
Tables: HiSLIP is IVI-6.1, VXI-11 the TCP/IP Instrument Protocol of 1995, as in simulator/transports.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import drivers
from tests.simulator.clients import Hislip, Vxi11, port_of
from tests.whole.benches import one_bench
from tests.whole.fault_table import SETUP, shoot
from tests.witnesses.pcap import write_pcap
from tests.witnesses.relay import Relay, relayed
from tests.witnesses.tshark import PROGRAM, every, numbers, packets

HISLIP_PORT, CORE_PORT = 4880, 51_110
FIRST_ID = 0xFFFFFF00
DATA, DATA_END = 6, 7


@dataclass(frozen=True)
class Seen:
    """One HiSLIP message or one VXI-11 packet: its fields by name, and who sent it."""

    from_client: bool
    layer: dict[str, Any]

    def number(self, name: str) -> int:
        """The only value of that field."""
        (value,) = numbers(every(self.layer, name))
        return value

    @property
    def kind(self) -> int:
        return self.number("hislip.messagetype")

    @property
    def message_id(self) -> int:
        return self.number("hislip.msgpara.messageid")

    @property
    def procedure(self) -> int:
        return self.number("vxi11_core.procedure_v1")


@pytest.fixture(autouse=True)
def _with_tshark(need: Callable[[bool, str], None]) -> None:
    need(PROGRAM is not None, "tshark is not installed (Debian: apt-get install tshark)")


def seen(relay: Relay, folder: Path, layer: str, port: int, *options: str) -> list[Seen]:
    """The layers of that name in order; nothing of them may be damaged."""
    write_pcap(folder / "seen.pcap", relay.pieces, port)
    found = packets(folder / "seen.pcap", *options)
    assert every(found, "_ws.malformed") == []
    result = []
    for packet in (packet for packet in found if layer in packet):
        from_client = packet["tcp"]["tcp.dstport"] == str(port)
        layers = packet[layer] if isinstance(packet[layer], list) else [packet[layer]]
        result += [Seen(from_client, one) for one in layers]
    return result


def seen_hislip(relay: Relay, folder: Path) -> list[Seen]:
    messages = seen(relay, folder, "hislip", HISLIP_PORT, "-d", f"tcp.port=={HISLIP_PORT},hislip")
    assert {value for m in messages for value in every(m.layer, "hislip.prologue")} == {"HS"}
    return messages


def seen_core(relay: Relay, folder: Path) -> list[Seen]:
    return seen(relay, folder, "vxi11_core", CORE_PORT)


def session(relay: Relay) -> Hislip:
    return Hislip(f"TCPIP::127.0.0.1::hislip0,{relay.port}::INSTR")


def shot_over(address: str) -> None:
    """A whole shot through the real driver."""
    with drivers.open_scope(address, "scpi-1999") as scope:
        shoot(scope, SETUP)
        scope.fetch()


def test_a_shot_of_our_driver_is_hislip_to_a_dissector(tmp_path: Path) -> None:
    """Initialise as the table has it; message numbers step by two from 0xFFFFFF00; an answer has that of its
    question."""
    with one_bench(seed=3) as bench, relayed(port_of(bench.addresses.hislip)) as relay:
        shot_over(f"TCPIP::127.0.0.1::hislip0,{relay.port}::INSTR")
    messages = seen_hislip(relay, tmp_path)
    assert [m.kind for m in messages[:4]] == [0, 1, 17, 18]
    assert len({v for m in messages for v in every(m.layer, "hislip.msgpara.sessionid")}) == 1
    asked = [m.message_id for m in messages if m.kind == DATA_END and m.from_client]
    answered = [m.message_id for m in messages if m.kind in (DATA, DATA_END) and not m.from_client]
    assert asked == [(FIRST_ID + 2 * n) % 2**32 for n in range(len(asked))]
    assert answered == sorted(answered, key=asked.index)
    assert len(answered) > 5


def test_no_message_is_longer_than_what_was_agreed(tmp_path: Path) -> None:
    """AsyncMaximumMessageSize: a record goes out in parts, the last of which is a DataEND."""
    with (
        one_bench(seed=3) as bench,
        relayed(port_of(bench.addresses.hislip)) as relay,
        session(relay) as client,
    ):
        client.call(15, payload=(256).to_bytes(8, "big"))
        client.write("SENS:SWE:POIN 1000;:TRIG:SOUR IMM;:FORM INT,8;:INIT;*WAI;:FETC:VOLT? (@1)")
        client.read()
    messages = seen_hislip(relay, tmp_path)
    sizes = [m.number("hislip.maxmsgsize") for m in messages if m.kind in (15, 16)]
    assert sizes[0] == 256
    parts = [m for m in messages if m.kind in (DATA, DATA_END) and not m.from_client]
    assert [m.kind for m in parts] == [DATA] * (len(parts) - 1) + [DATA_END]
    assert len({m.message_id for m in parts}) == 1
    payloads = [m.number("hislip.payloadlength") for m in parts]
    assert sum(payloads) == len(b"#41000") + 1000 + 1
    assert max(payloads) <= 256
    assert len(parts) >= 4


def test_clear_locks_status_and_remote_have_the_numbers_of_the_table(tmp_path: Path) -> None:
    """Message types 4/5, 8/9/19/23, 10/11, 21/22, 24/25 in pairs, with the codes of their answers."""
    with (
        one_bench(seed=3) as bench,
        relayed(port_of(bench.addresses.hislip)) as relay,
        session(relay) as client,
    ):
        client.ask("*IDN?")
        client.call(4, 1, 1000)  # AsyncLock: exclusive, without a lock string
        client.call(24)
        client.call(4, 0, client.number)  # release
        client.call(10, 3, client.number)
        client.call(21, 1, client.number)
        client.call(19)
        client.send(client.sync, 8)
        client.receive(client.sync)
    messages = seen_hislip(relay, tmp_path)
    pairs = [(m.kind, m.from_client) for m in messages if m.kind not in (DATA, DATA_END)][4:]
    asked, answered = [k for k, mine in pairs if mine], [k for k, mine in pairs if not mine]
    assert asked == [4, 24, 4, 10, 21, 19, 8]
    assert answered == [5, 25, 5, 11, 22, 23, 9]
    locks = [m for m in messages if m.kind == 5]
    assert [m.number("hislip.controlcode.asynclockresponse") for m in locks] == [1, 1]
    (info,) = [m for m in messages if m.kind == 25]
    assert info.number("hislip.controlcode.asynclockinforesponse") == 1  # one exclusive lock is held
    assert info.number("hislip.msgpara.clients") == 1
    assert [m.number("hislip.controlcode.stb") for m in messages if m.kind == 22] == [0]


def test_an_interrupted_answer_is_told_on_both_channels(tmp_path: Path) -> None:
    """Synchronised mode: a question before the last answer was delivered gives 13 and 14, then its answer."""
    with (
        one_bench(seed=3) as bench,
        relayed(port_of(bench.addresses.hislip)) as relay,
        session(relay) as client,
    ):
        client.write("*IDN?")
        client.receive(client.sync)
        client.write("*ESR?", delivered=False)
        client.receive(client.asynchronous)
        client.receive(client.sync)
        client.read()
    kinds = [m.kind for m in seen_hislip(relay, tmp_path) if not m.from_client]
    assert {13, 14} <= set(kinds)
    assert kinds[-1] == DATA_END


def test_a_shot_of_our_driver_is_vxi_11_to_a_dissector(tmp_path: Path) -> None:
    """Program 395183; create_link first, destroy_link last, writes and reads between, no error anywhere."""
    with one_bench(seed=3) as bench, relayed(port_of(bench.addresses.vxi11)) as relay:
        shot_over(f"TCPIP::127.0.0.1,{relay.port}::INSTR")
    calls = seen_core(relay, tmp_path)
    assert [m.procedure for m in calls if m.from_client][:2] == [10, 11]
    assert calls[-1].procedure == 23
    assert {m.procedure for m in calls} == {10, 11, 12, 23}
    replies = [m for m in calls if not m.from_client]
    assert {m.number("vxi11_core.error") for m in replies} == {0}
    reads = [m for m in replies if m.procedure == 12]
    assert {m.number("vxi11_core.reason.end") for m in reads[:3]} == {1}
    assert replies[0].number("vxi11_core.max_recv_size") >= 1024  # from memory of the standard: at least


def test_errors_and_reasons_of_vxi_11_are_those_of_the_table(tmp_path: Path) -> None:
    """11 locked by another link, 4 no such link, 15 time-out, 12 no lock held; reasons REQCNT 1 and CHR 2."""
    with one_bench(seed=3) as bench, relayed(port_of(bench.addresses.vxi11)) as relay:
        address = f"TCPIP::127.0.0.1,{relay.port}::INSTR"
        with Vxi11(address) as one, Vxi11(address) as other:
            one.lock()
            other.write(b"*IDN?\n")
            one.of_link(19)
            one.of_link(19)
            one.write(b"*IDN?\n")
            one.read(5)
            one.read(flags=128, stop=ord(","))
            one.read()
            one.read(io_ms=1)
            one.of_link(23)
            one.of_link(19)
    replies = [m for m in seen_core(relay, tmp_path) if not m.from_client]
    told = [(m.procedure, m.number("vxi11_core.error")) for m in replies]
    assert told[:6] == [(10, 0), (10, 0), (18, 0), (11, 11), (19, 0), (19, 12)]
    assert told[6:] == [(11, 0), (12, 0), (12, 0), (12, 0), (12, 15), (23, 0), (19, 4)]
    reasons = [m.number("vxi11_core.reason") for m in replies if m.procedure == 12]
    assert [reason & 7 for reason in reasons[:3]] == [1, 2, 4]


def test_device_status_and_clear_of_vxi_11_are_read_as_such(tmp_path: Path) -> None:
    """readstb 13, trigger 14, clear 15, remote 16, local 17; the status byte is what *STB? has."""
    with (
        one_bench(seed=3) as bench,
        relayed(port_of(bench.addresses.vxi11)) as relay,
        Vxi11(f"TCPIP::127.0.0.1,{relay.port}::INSTR") as client,
    ):
        client.write(b"BOGUS\n")
        for procedure in (13, 14, 15, 16, 17):
            client.generic(procedure)
    replies = [m for m in seen_core(relay, tmp_path) if not m.from_client]
    assert [m.procedure for m in replies] == [10, 11, 13, 14, 15, 16, 17]
    assert {m.number("vxi11_core.error") for m in replies} == {0}
    assert replies[2].number("vxi11_core.stb") == 4  # IEEE 488.2: bit 2, the error queue is not empty
