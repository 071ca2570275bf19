"""Simulated benches as stations: in this process, over real sockets, with a clock that moves when used."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from drivers.scope.capture import Capture
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from service.pipeline.readings import FrameFormat
from service.stations import Probe, Station
from simulator.bench import Bench, open_benches
from simulator.scope.makers import MAKERS

DIALECTS = Path(__file__).parent / "dialects"
MANUALS = Path(__file__).parent / "manuals"
FOREIGN = tuple(maker.name for maker in MAKERS if maker.name != "standard")
"""Scopes of invented makers: each has a manual, and a dialect that was written from it."""
TRANSPORTS = ("socket", "hislip", "vxi11")
ROLES = ("to_target", "from_target")
TEXT = b"Tide 7 at the harbour wall"


def station_of(bench: Bench, transport: str = "socket", **changes: Any) -> Station:
    """The station that a stations file would describe for this bench."""
    address = bench.addresses
    usual: dict[str, Any] = {
        "name": address.station,
        "scope": getattr(address, transport),
        "dialect": dialect_of(bench),
        "serial": address.serial,
        "baud": 230_400.0,
        "frame": FrameFormat(8, "N", 1),
        "logic": "3.3",
        "probes": dict(zip(ROLES, (Probe(name, 10) for name in bench.scope.maker.channels), strict=True)),
    }
    return Station(**{**usual, **changes})


def dialect_of(bench: Bench) -> str:
    """A shipped name, or the path of a dialect that is only in the tests."""
    maker = bench.scope.maker
    return str(DIALECTS / maker.dialect) if maker.name in FOREIGN else maker.dialect


@contextlib.contextmanager
def one_bench(**kinds: Any) -> Iterator[Bench]:
    """One simulated bench for a `with` block; arguments as `simulator.bench.open_benches`."""
    with open_benches(count=1, **kinds) as (bench,):
        yield bench


def echo_document(
    text: bytes = TEXT, *, transport: str = "socket", hooks: RunHooks | None = None, **kinds: Any
) -> dict[str, Any]:
    """The result document of one echo test on a bench of these kinds."""
    baud, frame = float(kinds.get("baud", 230_400.0)), FrameFormat.parse(kinds.get("frame", "8N1"))
    with one_bench(**kinds) as bench:
        station = station_of(bench, transport, baud=baud, frame=frame)
        return run_echo_test(station, text, hooks or RunHooks())


def codes(document: dict[str, Any], side: str | None = None) -> list[str]:
    """Codes of the findings, of one side when named, infos left out."""
    return [f["code"] for f in document["findings"] if f["severity"] != "info" and side in (None, f["side"])]


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    """Criterion -> verdict."""
    return {c["name"]: c["verdict"] for c in document["criteria"]}


def remembering() -> tuple[RunHooks, dict[str, tuple[Capture, Mapping[str, Any]]]]:
    """Hooks of a run that may die and be done again, and what they kept, by label; nothing is kept twice."""
    kept: dict[str, tuple[Capture, Mapping[str, Any]]] = {}
    notes: dict[str, Mapping[str, Any]] = {}

    def keep(capture: Capture, label: str) -> None:
        assert label not in kept
        kept[label] = (capture, notes[label])

    def note(label: str, facts: Mapping[str, Any]) -> None:
        notes[label] = facts

    return RunHooks(keep=keep, note=note, kept=kept.get), kept
