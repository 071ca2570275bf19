"""Transfers of records through the driver beside a plain socket: one server in a process of its own, the same
bytes, taken turn about so that all ways meet the same machine."""

from __future__ import annotations

import contextlib
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from drivers.link import VisaLink
from tests.bench.figures import Figure
from tests.drivers.servers import Act, block, hislip_server, line_server

MEGABYTE = 1_000_000
SIZES_MB = (10, 50)
GOALS = {("socket", 10): 0.35, ("socket", 50): 0.5, ("hislip", 10): 0.9, ("hislip", 50): 0.9}
"""Share of the plain socket's speed that is to be reached."""
REPEATS = {10: 25, 50: 9}
CONNECTIONS = 6


def transfer_figures(sizes_mb: Sequence[int] = SIZES_MB, repeats: int | None = None) -> Iterator[Figure]:
    """Speed of SOCKET and HiSLIP as a share of a plain socket's, medians of pairs.

    Beside them a second plain socket: how far that one is from 1 is what this machine can tell at all. One
    connection keeps the luck of its start (buffers, the processor it is on) as long as it lives: so each way
    gets several.
    """
    with served(sizes_mb) as ports:
        for size in sizes_mb:
            seconds: dict[str, list[float]] = {}
            for _ in range(CONNECTIONS):
                with connected(*ports, size) as ways:
                    for name, times in _turn_about(ways, repeats or REPEATS[size]).items():
                        seconds.setdefault(name, []).extend(times)
            yield from _figures(size, seconds)


@contextlib.contextmanager
def connected(line_port: int, hislip_port: int, size: int) -> Iterator[dict[str, Callable[[], int]]]:
    """Every way to fetch the record, each over a connection of its own."""
    with contextlib.ExitStack() as stack:
        ways: dict[str, Callable[[], int]] = {}
        for name in ("plain", "plain again"):
            plain = socket.create_connection(("127.0.0.1", line_port), timeout=20)
            ways[name] = partial(_plainly, stack.enter_context(plain), size)
        for name, address in (
            ("socket", f"TCPIP::127.0.0.1::{line_port}::SOCKET"),
            ("hislip", f"TCPIP::127.0.0.1::hislip0,{hislip_port}::INSTR"),
        ):
            link = VisaLink(address)
            stack.callback(link.close)
            ways[name] = partial(_through, link, size)
        yield ways


def _figures(size: int, seconds: dict[str, list[float]]) -> Iterator[Figure]:
    plain = seconds.pop("plain")
    for name, times in seconds.items():
        ratio = statistics.median(p / t for p, t in zip(plain, times, strict=True))
        low, _, high = statistics.quantiles([p / t for p, t in zip(plain, times, strict=True)], n=4)
        speeds = (size / statistics.median(times), size / statistics.median(plain))
        note = f"{speeds[0]:.0f} MB/s, plain socket {speeds[1]:.0f} MB/s, quartiles {low:.2f} to {high:.2f}"
        yield Figure(
            "transfer", f"{name} {size} MB", "of plain", ratio, GOALS.get((name, size)), None, False, note
        )


def _turn_about(ways: dict[str, Callable[[], int]], repeats: int) -> dict[str, list[float]]:
    for way in ways.values():
        way()
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    order = list(ways)
    for _ in range(repeats):
        for name in order:
            start = time.perf_counter()
            ways[name]()
            seconds[name].append(time.perf_counter() - start)
        order.append(order.pop(0))  # nobody is always the first after a pause, nor always after the same one
    return seconds


def _plainly(connection: socket.socket, size: int) -> int:
    """As few lines as it takes: one array, one receive call after the other."""
    expected = len(_header(size)) + size * MEGABYTE + 1
    connection.sendall(f"DATA{size}?\n".encode())
    data = np.empty(expected, np.uint8)
    view, got = memoryview(data), 0  # type: ignore[arg-type]
    while got < expected:
        count = connection.recv_into(view[got:])
        assert count, "the server hung up"
        got += count
    return got


def _through(link: VisaLink, size: int) -> int:
    return len(link.query_block(f"DATA{size}?", limit_bytes=size * MEGABYTE))


def _header(size: int) -> bytes:
    digits = str(size * MEGABYTE)
    return f"#{len(digits)}{digits}".encode()


@contextlib.contextmanager
def served(sizes_mb: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Ports of a line server and of a HiSLIP server in another process."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.transfer", *map(str, sizes_mb)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        line_port, hislip_port = child.stdout.readline().split()
        yield int(line_port), int(hislip_port)
    finally:
        child.communicate(timeout=20)  # end of its input is its sign to leave


def serve(sizes_mb: Sequence[int]) -> None:
    """Until the end of standard input; random bytes, 0x0A among them."""
    rng = np.random.default_rng(1)
    script = {
        f"DATA{size}?": Act(block(rng.integers(0, 256, size * MEGABYTE, np.uint8).tobytes()))
        for size in sizes_mb
    }
    with line_server(script) as lines, hislip_server(script) as hislip:
        print(lines.port, hislip.port, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    serve([int(word) for word in sys.argv[1:]])
