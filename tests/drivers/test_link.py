"""The conformance suite of the link: every transport must pass it. The servers are real, on loopback.

What is provoked here was found by measuring PyVISA 1.16.2 with pyvisa-py 0.8.1 (common practice, no source);
block headers are those of IEEE 488.2 8.7.9.
"""

from __future__ import annotations

import contextlib
import importlib
import resource as limits
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from drivers.errors import (
    DriverError,
    IdentityError,
    NotReachable,
    ReplyError,
    RequestError,
    TimedOut,
)
from drivers.link import VisaLink
from tests.drivers.servers import (
    Act,
    Answer,
    Script,
    Server,
    block,
    hislip_server,
    line_server,
    say,
    vxi11_server,
)

TIMEOUT_S = 0.3
ALLOWED_S = 4.0
"""An upper bound that only a hang exceeds: the machine may be busy, so this is no measurement of speed."""
IDN = say("HARBOUR STREET,BENCH,17,1.0")
PAYLOAD = bytes(range(256)) * 8


@dataclass(frozen=True)
class Way:
    """One transport: how to serve it and how it is addressed."""

    serve: Callable[[Script | Answer], contextlib.AbstractContextManager[Server]]
    address: Callable[[Server], str]
    marks_end: bool
    silent_when_dead: bool = False


WAYS = {
    "socket": Way(line_server, lambda server: server.socket_address, marks_end=False),
    "hislip": Way(hislip_server, lambda server: server.hislip_address, marks_end=True),
    "vxi-11": Way(vxi11_server, lambda server: server.vxi11_address, marks_end=True, silent_when_dead=True),
}


@pytest.fixture(params=list(WAYS.values()), ids=list(WAYS))
def way(request: pytest.FixtureRequest) -> Way:
    return request.param  # type: ignore[no-any-return]


@contextlib.contextmanager
def linked(way: Way, script: Script) -> Iterator[tuple[VisaLink, Server]]:
    with way.serve({"*IDN?": IDN, **script}) as server:
        link = VisaLink(way.address(server), timeout_s=TIMEOUT_S)
        try:
            yield link, server
        finally:
            link.close()


@contextlib.contextmanager
def in_time() -> Iterator[None]:
    start = time.monotonic()
    yield
    assert time.monotonic() - start < ALLOWED_S, "the deadline was not kept"


def ask_block(link: VisaLink) -> bytes:
    return link.query_block("DATA?", limit_bytes=20_000).tobytes()


# --- what works --------------------------------------------------------------------------------------------


def test_a_question_gets_its_answer_without_the_newline(way: Way) -> None:
    """The end of a message is not part of it."""
    with linked(way, {"A?": say("1.5"), "CRLF?": Act(b"2.5\r\n")}) as (link, _):
        assert link.query("A?") == "1.5"
        assert link.query("CRLF?") == "2.5"


def test_a_long_text_comes_whole(way: Way) -> None:
    """A text longer than every buffer is put together again."""
    text = ",".join(str(n) for n in range(100_000))
    with linked(way, {"A?": say(text)}) as (link, _):
        assert link.query("A?") == text


def test_messages_without_an_answer_arrive_in_order_before_the_question(way: Way) -> None:
    """Settings and the question after them go out together, in the order given."""
    with linked(way, {"C?": say("3")}) as (link, server):
        assert link.query("C?", before=["A 1", "B 2"]) == "3"
        assert server.heard == ["A 1", "B 2", "C?"]


@pytest.mark.parametrize(
    "payload",
    [b"", b"\n", b"\n" * 5000, PAYLOAD, bytes(5000), b"#3100"],
    ids=["empty", "one-newline", "all-newlines", "all-values", "zeros", "a-header"],
)
def test_every_payload_comes_through_unchanged(way: Way, payload: bytes) -> None:
    """No byte of a block has a meaning: a flat trace at code 10 is nothing but newlines."""
    with linked(way, {"DATA?": Act(block(payload))}) as (link, _):
        assert ask_block(link) == payload
        assert link.query("*IDN?") == "HARBOUR STREET,BENCH,17,1.0"


def test_a_block_of_several_pieces_comes_through_unchanged(way: Way) -> None:
    """A block larger than every piece and buffer, random bytes from a fixed seed."""
    payload = np.random.default_rng(7).bytes(3_000_017)
    with linked(way, {"DATA?": Act(block(payload))}) as (link, _):
        assert link.query_block("DATA?", limit_bytes=4_000_000).tobytes() == payload
        assert link.query("*IDN?").startswith("HARBOUR")


def test_length_digits_may_have_leading_zeros(way: Way) -> None:
    """`#800001000`: eight digits, 1000 bytes (published example, standards 1.6)."""
    with linked(way, {"DATA?": Act(b"#800001000" + bytes(1000) + b"\n")}) as (link, _):
        assert ask_block(link) == bytes(1000)


def test_a_block_without_a_newline_may_be_asked_for(way: Way) -> None:
    """Some scopes send none after a block: a dialect may say so."""
    with linked(way, {"DATA?": Act(block(PAYLOAD, newline=b""))}) as (link, _):
        assert link.query_block("DATA?", limit_bytes=20_000, newline=False).tobytes() == PAYLOAD
        assert link.query("*IDN?").startswith("HARBOUR")


# --- what goes wrong
# ------------------------------------------------------------------------------------------

FAULTS: dict[str, tuple[Act, type[DriverError], type[DriverError]]] = {
    # name: act, error on a socket, error on HiSLIP
    "dies-in-mid-block": (Act(block(PAYLOAD)[:900], then_close=True), TimedOut, NotReachable),
    "stalls-in-mid-block": (Act(block(PAYLOAD)[:900]), TimedOut, ReplyError),
    "drips": (Act(block(PAYLOAD), piece=1, pause_s=0.05), TimedOut, TimedOut),
    "short-block": (Act(block(PAYLOAD[:900], says=1900)), TimedOut, ReplyError),
    "long-block": (Act(block(PAYLOAD, says=1000)), ReplyError, ReplyError),
    "indefinite-block": (Act(b"#0" + PAYLOAD + b"\n"), ReplyError, ReplyError),
    "larger-than-any-record": (Act(block(PAYLOAD, says=999_999_999)), ReplyError, ReplyError),
    "no-block-at-all": (Act(b"-230,\"Data corrupt or stale\"\n"), ReplyError, ReplyError),
    "no-digits": (Act(b"#2 5HELLO\n"), ReplyError, ReplyError),
    "header-cut": (Act(b"#"), TimedOut, ReplyError),
    "silence": (Act(wait_s=30), TimedOut, TimedOut),
    "reset": (Act(b"#", then_reset=True), NotReachable, ReplyError),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_broken_block_is_the_right_error_in_time_and_the_next_answer_is_right(way: Way, fault: str) -> None:
    """Whatever happens to a block: one error with the address and the question, no hang, no stale bytes."""
    act, on_socket, on_hislip = FAULTS[fault]
    wanted = on_hislip if way.marks_end else on_socket
    if way.silent_when_dead and fault in ("dies-in-mid-block", "reset"):
        wanted = TimedOut  # the library does not notice that the peer has gone
    with linked(way, {"DATA?": act}) as (link, server):
        with in_time(), pytest.raises(wanted) as caught:
            ask_block(link)
        assert type(caught.value) is wanted
        assert caught.value.command == "DATA?"
        assert caught.value.address == way.address(server)
        assert way.address(server) in str(caught.value)
        with in_time():
            assert link.query("*IDN?") == "HARBOUR STREET,BENCH,17,1.0"


LARGE = bytes(range(256)) * 256
LARGE_FAULTS: dict[str, tuple[Act, type[DriverError], type[DriverError]]] = {
    "dies": (Act(block(LARGE)[:40_000], then_close=True), NotReachable, NotReachable),
    "stalls": (Act(block(LARGE)[:40_000]), TimedOut, ReplyError),
    "drips": (Act(block(LARGE), piece=100, pause_s=0.05), TimedOut, TimedOut),
    "too-long": (Act(block(LARGE, says=40_000)), ReplyError, ReplyError),
}


@pytest.mark.parametrize("fault", LARGE_FAULTS)
@pytest.mark.parametrize("name", ["socket", "hislip"])
def test_a_large_block_that_breaks_is_found_too(name: str, fault: str) -> None:
    """Large blocks are received past the library's own buffers: the same errors in time, and no stale
    bytes."""
    act, on_socket, on_hislip = LARGE_FAULTS[fault]
    wanted = on_hislip if WAYS[name].marks_end else on_socket
    with linked(WAYS[name], {"DATA?": act}) as (link, _):
        with in_time(), pytest.raises(wanted) as caught:
            link.query_block("DATA?", limit_bytes=len(LARGE))
        assert type(caught.value) is wanted
        with in_time():
            assert link.query("*IDN?") == "HARBOUR STREET,BENCH,17,1.0"


@pytest.mark.parametrize("name", ["socket", "hislip"])
def test_a_library_without_the_short_way_is_read_the_long_way(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its inner parts may have other names tomorrow, and other VISA libraries have none of them."""
    monkeypatch.setattr("drivers.session.direct", lambda _resource: None)
    payload = np.random.default_rng(8).bytes(1_000_003)
    with linked(WAYS[name], {"DATA?": Act(block(payload))}) as (link, _):
        assert link._session is not None
        assert link._session.direct is None
        assert link.query_block("DATA?", limit_bytes=2_000_000).tobytes() == payload


@pytest.mark.parametrize("name", ["socket", "hislip"])
def test_the_short_way_is_found_in_the_library_that_is_installed(name: str) -> None:
    """Else transfers become slower unnoticed."""
    with linked(WAYS[name], {}) as (link, _):
        assert link._session is not None
        assert link._session.direct is not None


def test_a_block_without_its_newline_is_refused_where_only_a_newline_ends_a_message() -> None:
    """On a socket the newline is the only sign that the record ended where its header says."""
    with linked(WAYS["socket"], {"DATA?": Act(block(PAYLOAD, newline=b""))}) as (link, _):
        with in_time(), pytest.raises(ReplyError, match="no newline"):
            ask_block(link)
        assert link.query("*IDN?").startswith("HARBOUR")


def test_a_block_without_its_newline_is_whole_where_the_transport_marks_its_end() -> None:
    """HiSLIP's DataEND ends the message; a newline in front of it adds nothing."""
    with linked(WAYS["hislip"], {"DATA?": Act(block(PAYLOAD, newline=b""))}) as (link, _):
        assert ask_block(link) == PAYLOAD


def test_a_late_answer_is_never_taken_for_that_to_the_next_question(way: Way) -> None:
    """The answer to the first question arrives while the second waits: it belongs to a session that is
    gone."""
    with linked(way, {"A?": [Act(b"OLD\n", wait_s=2 * TIMEOUT_S), say("NEW")]}) as (link, _):
        with in_time(), pytest.raises(TimedOut):
            link.query("A?")
        assert link.query("A?") == "NEW"
        assert link.query("*IDN?").startswith("HARBOUR")


def test_a_text_that_drips_ends_at_the_deadline(way: Way) -> None:
    """Arriving bytes extend the library's time-out, but not ours."""
    with linked(way, {"A?": Act(b"x" * 400 + b"\n", piece=1, pause_s=0.1)}) as (link, _):
        with in_time(), pytest.raises(TimedOut):
            link.query("A?")
        assert link.query("*IDN?").startswith("HARBOUR")


def test_a_text_without_its_newline_is_no_answer_on_a_socket() -> None:
    """Half a line cannot be told from a line that is still coming."""
    with linked(WAYS["socket"], {"A?": Act(b"1.5")}) as (link, _):
        with in_time(), pytest.raises(TimedOut):
            link.query("A?")
        assert link.query("*IDN?").startswith("HARBOUR")


def test_bytes_that_are_no_ascii_come_as_they_are_for_whoever_parses_them(way: Way) -> None:
    """No decoding error: the text is latin-1, and a number that is none is refused by its parser."""
    with linked(way, {"A?": Act(b"\xb5\xff\n")}) as (link, _):
        assert link.query("A?") == "\xb5\xff"


# --- connections that are none
# -------------------------------------------------------------------------------


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::127.0.0.1::{port}::SOCKET",
        "TCPIP::127.0.0.1::hislip0,{port}::INSTR",
        "TCPIP::127.0.0.1,{port}::INSTR",
    ],
    ids=["socket", "hislip", "vxi-11"],
)
def test_a_refused_connection_is_not_reachable_and_says_refused(address: str) -> None:
    """A socket session opens even when the connection is refused: the first question tells."""
    with in_time(), pytest.raises(NotReachable, match="refused") as caught:
        VisaLink(address.format(port=free_port()), timeout_s=TIMEOUT_S).query("*IDN?")
    assert type(caught.value) is NotReachable


def test_a_peer_that_accepts_and_says_nothing_is_a_time_out() -> None:
    """HiSLIP's own waiting is 5 s whatever one asks for: ours ends it."""
    with hislip_server({}, silent=True) as server, in_time(), pytest.raises(TimedOut):
        VisaLink(server.hislip_address, timeout_s=TIMEOUT_S)
    with line_server({}, reads=False) as server, in_time(), pytest.raises(TimedOut):
        VisaLink(server.socket_address, timeout_s=TIMEOUT_S).query("*IDN?")


def test_a_connection_that_only_the_kernel_made_is_a_time_out() -> None:
    """Half-open: the listener exists, nobody ever accepts."""
    with line_server({}, accepts=False) as server, in_time(), pytest.raises(TimedOut):
        VisaLink(server.socket_address, timeout_s=TIMEOUT_S).query("*IDN?")


def test_a_peer_that_never_reads_cannot_hold_a_write() -> None:
    """A write to full buffers never returns in the library: so many bytes without an answer are not sent."""

    def pour(link: VisaLink) -> None:
        for _ in range(10_000):
            link.write("SENS1:VOLT:RANG:PTP 8;OFFS 2.5")

    with line_server({}, reads=False) as server:
        link = VisaLink(server.socket_address, timeout_s=TIMEOUT_S)
        with in_time(), pytest.raises(RequestError, match="without one answer"):
            pour(link)
        link.close()


@pytest.mark.parametrize(
    "address",
    ["scope", "TCPIP::", "GPIB9::1::INSTR", "USB0::0x1::0x2::3::INSTR", "TCPIP::127.0.0.1::x::SOCKET"],
)
def test_an_address_that_cannot_be_opened_is_a_wrong_request(address: str) -> None:
    """Nothing was sent: the stations file must be mended."""
    with in_time(), pytest.raises((RequestError, NotReachable)) as caught:
        VisaLink(address, timeout_s=TIMEOUT_S).query("*IDN?")
    assert address in str(caught.value)


def test_a_host_name_that_nobody_knows_is_not_reachable() -> None:
    """`.invalid` never resolves (RFC 2606)."""
    for kind in ("hislip0::INSTR", "5025::SOCKET"):
        with pytest.raises(NotReachable):
            VisaLink(f"TCPIP::scope.invalid::{kind}", timeout_s=TIMEOUT_S).query("*IDN?")


def test_a_visa_library_that_is_not_installed_is_named() -> None:
    """Stations may name another VISA library."""
    with pytest.raises(RequestError, match=r"/nowhere/libvisa\.so"):
        VisaLink("TCPIP::127.0.0.1::1::SOCKET", visa_library="/nowhere/libvisa.so")


def test_more_than_1023_open_files_is_said_in_words() -> None:
    """The library waits with select(), which cannot look at file 1024 and above; HiSLIP goes on working."""
    soft, hard = limits.getrlimit(limits.RLIMIT_NOFILE)
    if hard < 1400:
        pytest.skip(f"this machine allows only {hard} files")
    limits.setrlimit(limits.RLIMIT_NOFILE, (1400, hard))
    held: list[socket.socket] = []
    try:
        with line_server({"*IDN?": IDN}) as lines, hislip_server({"*IDN?": IDN}) as hislip:
            while not held or held[-1].fileno() < 1060:
                held.append(socket.socket())
            with in_time(), pytest.raises(NotReachable, match="1023 files") as caught:
                VisaLink(lines.socket_address, timeout_s=TIMEOUT_S).query("*IDN?")
            assert "HiSLIP" in str(caught.value)
            link = VisaLink(hislip.hislip_address, timeout_s=TIMEOUT_S)
            assert link.query("*IDN?").startswith("HARBOUR")
            link.close()
    finally:
        for item in held:
            item.close()
        limits.setrlimit(limits.RLIMIT_NOFILE, (soft, hard))


# --- re-opening
# -----------------------------------------------------------------------------------------------


def test_after_a_failure_the_instrument_is_greeted_before_the_next_question(way: Way) -> None:
    """Whoever opens a session again says hello first: another instrument may have taken the address."""
    greeted: list[str] = []

    def greet(link: VisaLink) -> None:
        greeted.append(link.query("*IDN?"))

    with way.serve({"*IDN?": IDN, "A?": Act(), "B?": say("2")}) as server:
        link = VisaLink(way.address(server), timeout_s=TIMEOUT_S, greet=greet)
        assert len(greeted) == 1
        if not way.marks_end:
            with pytest.raises(TimedOut):
                link.query("A?")
        else:
            link.distrust()
        assert link.query("B?") == "2"
        assert len(greeted) == 2
        link.close()


def test_reopening_tries_again_until_the_instrument_is_back() -> None:
    """A scope that is restarted refuses connections for a while."""
    pauses: list[float] = []
    heard: list[str] = []
    with contextlib.ExitStack() as stack:
        script = {"*IDN?": [Act(then_close=True), Act(then_close=True), Act(then_close=True), IDN]}
        server = stack.enter_context(line_server(script))
        link = VisaLink(server.socket_address, timeout_s=1.0, pause=pauses.append)
        link._greet = lambda opened: heard.append(opened.query("*IDN?", timeout_s=0.1))
        link.reopen()
        assert heard == ["HARBOUR STREET,BENCH,17,1.0"]
        assert pauses == sorted(pauses)
        assert len(pauses) == 4
        link.close()


def test_another_instrument_at_the_address_is_not_tried_again() -> None:
    """An identity does not mend itself."""

    def greet(_link: VisaLink) -> None:
        raise IdentityError("another one")

    with line_server({"*IDN?": IDN}) as server, pytest.raises(IdentityError):
        VisaLink(server.socket_address, timeout_s=TIMEOUT_S, greet=greet)


def test_a_closed_link_says_so(way: Way) -> None:
    """Using it again is our mistake, not the instrument's."""
    with linked(way, {}) as (link, _):
        link.close()
        link.close()
        with pytest.raises(RequestError, match="closed"):
            link.query("*IDN?")


def test_somebody_who_closes_the_librarys_manager_does_not_stop_us(way: Way) -> None:
    """The manager is one for the process, and closing it anywhere ends all sessions: we come back."""
    import pyvisa

    with linked(way, {}) as (link, _):
        pyvisa.ResourceManager("@py").close()
        with contextlib.suppress(DriverError):
            link.query("*IDN?")
        assert link.query("*IDN?").startswith("HARBOUR")


# --- what must not be said or kept
# ---------------------------------------------------------------------------


@pytest.mark.parametrize("message", ["A 1\nB 2", "SENS:µ"])
def test_a_command_that_would_break_the_line_is_never_sent(way: Way, message: str) -> None:
    """A newline inside a command would be two commands."""
    with linked(way, {}) as (link, server):
        with pytest.raises(RequestError, match="ASCII"):
            link.write(message)
        assert server.heard == []


def test_sessions_threads_and_files_do_not_grow_with_use(way: Way) -> None:
    """Forty openings and closings leave what was there before."""
    import pyvisa

    with way.serve({"*IDN?": IDN}) as server:
        VisaLink(way.address(server), timeout_s=TIMEOUT_S).close()
        sessions = len(pyvisa.ResourceManager("@py").visalib.sessions)  # type: ignore[attr-defined]
        for _ in range(40):
            link = VisaLink(way.address(server), timeout_s=TIMEOUT_S)
            assert link.query("*IDN?").startswith("HARBOUR")
            link.close()
        assert len(pyvisa.ResourceManager("@py").visalib.sessions) == sessions  # type: ignore[attr-defined]
        assert not [thread for thread in threading.enumerate() if server.socket_address in thread.name]


def test_threads_on_one_link_each_get_their_own_answer(way: Way) -> None:
    """Two threads on one session get each other's answers, so a link has a lock."""
    with way.serve(say) as server:
        link = VisaLink(way.address(server), timeout_s=2.0)
        wrong: list[str] = []

        def ask(name: int) -> None:
            for number in range(60):
                question = f"Q{name}.{number}?"
                if link.query(question) != question:
                    wrong.append(question)

        threads = [threading.Thread(target=ask, args=(name,)) for name in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
        link.close()
        assert wrong == []


def test_two_links_to_one_address_share_their_lock() -> None:
    """One instrument, one lock, however often it was opened."""
    with line_server({"*IDN?": IDN}) as server:
        one = VisaLink(server.socket_address, timeout_s=TIMEOUT_S)
        two = VisaLink(server.socket_address.lower().replace("socket", "SOCKET"), timeout_s=TIMEOUT_S)
        assert one.lock is two.lock
        one.close()
        two.close()


def test_the_library_prints_nothing_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    """A HiSLIP server that prefers overlap mode makes the library print; programs read our standard
    output."""
    hislip = importlib.import_module("pyvisa_py.protocols.hislip")
    with hislip_server({"*IDN?": IDN}) as server:
        VisaLink(server.hislip_address, timeout_s=TIMEOUT_S).close()
        vars(hislip)["print"]("**** prefer overlap = 1")
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("timeout_s", [0.0, -1.0, float("nan"), float("inf")])
def test_a_time_out_must_be_a_positive_number(timeout_s: float) -> None:
    """Waiting for ever is not on offer."""
    with pytest.raises(RequestError, match="timeout_s"):
        VisaLink("TCPIP::127.0.0.1::1::SOCKET", timeout_s=timeout_s)


assert sys.platform != "win32", "the limits of open files are looked at as POSIX has them"
