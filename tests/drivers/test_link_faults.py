"""The conformance suite of the link, answers that go wrong: the right error in time, nothing stale after it.

The servers are real, on loopback; what is provoked was found by measuring (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.errors import (
    DriverError,
    NotReachable,
    ReplyError,
    TimedOut,
)
from tests.drivers.servers import (
    Act,
    block,
    say,
)
from tests.drivers.ways import PAYLOAD, TIMEOUT_S, WAYS, Way, ask_block, in_time, linked


@pytest.fixture(params=list(WAYS.values()), ids=list(WAYS))
def way(request: pytest.FixtureRequest) -> Way:
    return request.param  # type: ignore[no-any-return]


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
