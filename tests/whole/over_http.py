"""What the tests over HTTP share: a stations file, and waiting for a run without sleeping."""

from __future__ import annotations

from typing import Any

import httpx

STATIONS = """
[[station]]
name = "north-1"
scope = "{scope}"
dialect = "scpi-1999"
serial = "{serial}"
baud = 230400
frame = "8N1"
logic = "3.3"
[station.probes]
to_target = {{channel = "1", ratio = 10}}
from_target = {{channel = "2", ratio = 10}}
"""


def finished(api: httpx.Client, place: str) -> dict[str, Any]:
    """The run once it has ended; its event stream tells when, nobody sleeps."""
    with api.stream("GET", f"{place}/events") as events:
        for _ in events.iter_lines():
            pass
    answer: dict[str, Any] = api.get(place).json()
    assert answer["state"] in ("done", "error", "cancelled"), answer
    return answer
