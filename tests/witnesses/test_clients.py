"""Clients that are not ours, of the public package registry, speak to the simulator. `.ci/witnesses` installs
them in an environment of their own; each runs in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.simulator.clients import port_of
from tests.whole.benches import one_bench
from tests.witnesses.relay import relayed

HERE = Path(__file__).parent
PYTHON = Path(sys.prefix) / "witnesses" / "bin" / "python"
POINTS = 500_000
TRIES = 3


@pytest.fixture(autouse=True)
def _with_witnesses(need: Callable[[bool, str], None]) -> None:
    need(
        PYTHON.exists() or sys.version_info >= (3, 13),
        "no independent clients: run .ci/witnesses",
    )
    if sys.version_info >= (3, 13):
        pytest.skip("python-vxi11 needs xdrlib, which Python 3.13 has no more")


def told_by(script: str, port: int) -> dict[str, Any]:
    """What the client printed at its end."""
    words = [str(PYTHON), "-W", "ignore", str(HERE / script), str(port)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=15, check=False)
    assert done.returncode == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return document


def test_a_hislip_client_of_others_gets_what_it_asks_for() -> None:
    """cPyHiSLIP (2021): identity, 500,000 points in one block, lock, status byte, error queue, device clear.

    It makes itself ready for an answer only after it has asked, and never wakes up when the answer was
    faster: so answers are held back a little, and a client that slept is started again.
    """
    with one_bench(seed=3) as bench, relayed(port_of(bench.addresses.hislip), 0.02) as relay:
        for left in reversed(range(TRIES)):
            try:
                told = told_by("speak_hislip.py", relay.port)
                break
            except subprocess.TimeoutExpired:
                if not left:
                    raise
        identity = bench.scope.identity
    assert told["identity"].strip() == told["after_clear"].strip() == identity
    assert told["done"].strip() == "1"
    assert told["block_head"] == f"#6{POINTS}"
    assert told["block_bytes"] in (8 + POINTS, 8 + POINTS + 1)  # with or without the final NL
    assert (told["locked"], told["released"]) == (1, 1)
    assert told["lock_info"][0] == 1
    assert told["error"].startswith("-113,")
    assert int(told["event"]) & 32  # IEEE 488.2: command error
    assert told["status"] & 4  # IEEE 488.2: something is in the error queue


def test_a_vxi_11_client_of_others_gets_what_it_asks_for() -> None:
    """python-vxi11 (2017): identity, 500,000 points, a lock that shuts others out (11), device clear."""
    with one_bench(seed=3) as bench:
        told = told_by("speak_vxi11.py", port_of(bench.addresses.vxi11))
        identity = bench.scope.identity
    assert told["identity"] == told["unlocked"] == identity
    assert told["done"] == told["after_clear"] == "1"
    assert told["block_head"] == f"#6{POINTS}"
    assert told["block_bytes"] in (8 + POINTS, 8 + POINTS + 1)
    assert told["locked_out"] == 11
    assert told["error"].startswith("-113,")
