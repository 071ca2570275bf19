"""The conformance suite of the link: every transport must pass it. The servers are real, on loopback.

What is provoked here was found by measuring PyVISA 1.16.2 with pyvisa-py 0.8.1 (common practice, no source);
block headers are those of IEEE 488.2 8.7.9.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.drivers.servers import (
    Act,
    block,
    say,
)
from tests.drivers.ways import PAYLOAD, WAYS, Way, ask_block, linked


@pytest.fixture(params=list(WAYS.values()), ids=list(WAYS))
def way(request: pytest.FixtureRequest) -> Way:
    return request.param  # type: ignore[no-any-return]


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
