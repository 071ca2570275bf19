"""The conformance suite of the link, connections: those that are none, those that are made anew, and what
they may not say, keep or mix up."""

from __future__ import annotations

import contextlib
import importlib
import resource as limits
import socket
import sys
import threading

import pytest

from drivers.errors import (
    DriverError,
    IdentityError,
    NotReachable,
    RequestError,
    TimedOut,
)
from drivers.link import VisaLink
from tests.drivers.servers import (
    Act,
    hislip_server,
    line_server,
    say,
)
from tests.drivers.ways import IDN, TIMEOUT_S, WAYS, Way, in_time, linked


@pytest.fixture(params=list(WAYS.values()), ids=list(WAYS))
def way(request: pytest.FixtureRequest) -> Way:
    return request.param  # type: ignore[no-any-return]


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
