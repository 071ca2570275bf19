"""The thread that is waited for only so long, and the border that no foreign error passes."""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import partial

import pytest

from drivers.boundary import translate
from drivers.errands import Errands, Overdue
from drivers.errors import DriverError, InstrumentError, NotReachable, ReplyError, RequestError, TimedOut


def test_results_and_errors_come_back() -> None:
    """As if the call had been made here."""
    errands = Errands("test")
    assert errands.run(lambda: 42, 5.0) == 42
    with pytest.raises(ZeroDivisionError):
        errands.run(lambda: 1 // 0, 5.0)
    assert errands.run(lambda: "again", 5.0) == "again"
    errands.end()
    assert errands.wait_ended(5.0)


def test_a_call_that_does_not_come_back_is_left() -> None:
    """And its thread ends by itself once it does, after the last errand."""
    gate, last = threading.Event(), threading.Event()
    errands = Errands("test")
    with pytest.raises(Overdue):
        errands.run(gate.wait, 0.05)
    errands.end(last.set)
    assert not errands.wait_ended(0.05)
    gate.set()
    assert last.wait(5.0)
    assert errands.wait_ended(5.0)


class FromTheLibrary(Exception):
    """Has what VISA errors have."""

    def __init__(self, abbreviation: str) -> None:
        super().__init__(abbreviation)
        self.abbreviation = abbreviation


FOREIGN: list[tuple[BaseException, type[DriverError]]] = [
    (FromTheLibrary("VI_ERROR_TMO"), TimedOut),
    (FromTheLibrary("VI_ERROR_CONN_LOST"), NotReachable),
    (FromTheLibrary("VI_ERROR_INV_RSRC_NAME"), RequestError),
    (FromTheLibrary("VI_ERROR_NEVER_HEARD_OF"), NotReachable),
    (TimeoutError("timed out"), TimedOut),
    (ConnectionRefusedError(111, "refused"), NotReachable),
    (BrokenPipeError(32, "pipe"), NotReachable),
    (OSError(113, "no route"), NotReachable),
    (RuntimeError("Connection was dropped by server."), NotReachable),
    (RuntimeError("protocol synchronization error"), ReplyError),
    (RuntimeError("expected message type 'X', received 'Y'"), ReplyError),
    (UnicodeDecodeError("ascii", b"\xff", 0, 1, "no"), ReplyError),
    (AssertionError(), ReplyError),
    (ValueError("filedescriptor out of range in select()"), NotReachable),
    (ValueError("anything else"), NotReachable),
    (TypeError("'NoneType' object is not subscriptable"), NotReachable),
    (Exception("could not connect: timeout"), NotReachable),
    (Exception("Invalid session handle. The resource might be closed."), NotReachable),
    (Exception(), NotReachable),
]  # fmt: skip


@pytest.mark.parametrize(("foreign", "ours"), FOREIGN, ids=[repr(f)[:40] for f, _ in FOREIGN])
def test_every_foreign_error_becomes_one_of_ours(foreign: BaseException, ours: type[DriverError]) -> None:
    """With the address and the command in its words and in its fields."""
    error = translate(foreign, "TCPIP::scope::SOCKET", "*IDN?")
    assert type(error) is ours
    assert (error.address, error.command) == ("TCPIP::scope::SOCKET", "*IDN?")
    assert "TCPIP::scope::SOCKET at '*IDN?'" in str(error)


@pytest.mark.parametrize("foreign", [ValueError("no class registered"), KeyError("x"), TypeError("y")])
def test_an_address_that_cannot_be_opened_is_a_wrong_request(foreign: BaseException) -> None:
    """While opening, such errors are about the address."""
    assert type(translate(foreign, "FOO::1", None, opening=True)) is RequestError


def test_what_the_library_calls_not_found_is_looked_into() -> None:
    """It hides a refused connection behind "not found"."""
    hidden = FromTheLibrary("VI_ERROR_RSRC_NFOUND")
    hidden.__context__ = RuntimeError()
    hidden.__context__.__cause__ = ConnectionRefusedError(111, "refused")
    assert "refused" in str(translate(hidden, "A", None))
    assert "nothing is found" in str(translate(FromTheLibrary("VI_ERROR_RSRC_NFOUND"), "A", None))


def test_our_own_errors_keep_what_they_know_already() -> None:
    """The place is attached once, at the outer call."""
    inner = translate(ReplyError("nonsense", reply=b"x"), "A", "B?")
    assert str(inner) == "A at 'B?': nonsense"
    again = translate(inner, "C", "D?")
    assert again is inner
    assert str(again) == "A at 'B?': nonsense"
    kept = InstrumentError("no", address="A", entries=((-113, "Undefined header"),))
    assert translate(kept, "C", None) is kept


def test_a_long_command_is_shortened_in_the_error() -> None:
    """A joined set-up of a thousand characters helps nobody."""
    error = translate(TimeoutError(), "A", "X" * 1000)
    assert error.command is not None
    assert len(error.command) == 200


# --- calls that are only watched ----------------------------------------------------------------------------


def test_a_watched_call_is_made_by_the_caller_and_its_result_comes_back() -> None:
    """And what it raises is raised."""
    errands = Errands("test")
    try:
        assert errands.run_watched(threading.get_ident, 5.0, pytest.fail) == threading.get_ident()
        with pytest.raises(ZeroDivisionError):
            errands.run_watched(lambda: 1 // 0, 5.0, pytest.fail)
    finally:
        errands.end()
        assert errands.wait_ended(5.0)


def test_a_watched_call_that_is_late_is_cut_short_and_overdue() -> None:
    """However it ends then: with an error, or with something that nobody may trust any more."""
    endings: tuple[Callable[[], float], ...] = (lambda: 1 / 0, lambda: 1)
    for ending in endings:
        errands, cut = Errands("test"), threading.Event()

        def call(cut: threading.Event = cut, ending: Callable[[], float] = ending) -> float:
            assert cut.wait(20)
            return ending()

        try:
            with pytest.raises(Overdue):
                errands.run_watched(call, 0.02, cut.set)
        finally:
            errands.end()
            assert errands.wait_ended(5.0)


def test_the_clock_of_an_earlier_call_never_cuts_a_later_one_short() -> None:
    """Its deadline passes while the later call, which has more time, is under way."""
    errands, passed, over = Errands("test"), threading.Event(), threading.Event()
    try:
        errands.run_watched(lambda: None, 0.01, pytest.fail)
        timer = threading.Timer(0.05, passed.set)
        timer.start()
        assert errands.run_watched(lambda: passed.wait(20), 20.0, over.set)
        assert not over.is_set()
        timer.join(5)
        with pytest.raises(Overdue):  # and it is still there for the next one
            errands.run_watched(lambda: over.wait(20), 0.02, over.set)
    finally:
        errands.end()
        assert errands.wait_ended(5.0)


def test_calls_of_both_kinds_may_follow_each_other() -> None:
    """A session is opened in the thread, asked outside, and closed in the thread."""
    errands = Errands("test")
    try:
        for number in range(200):
            assert errands.run_watched(partial(int, number), 5.0, pytest.fail) == number
            assert errands.run(partial(int, number), 5.0) == number
    finally:
        errands.end()
        assert errands.wait_ended(5.0)
