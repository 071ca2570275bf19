"""What the conformance suite of the link shares: transports with their servers, links to them, deadlines."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.link import VisaLink
from tests.drivers.servers import (
    Answer,
    Script,
    Server,
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
