"""A made-up lab for the service's tests: stations without instruments, an echo test without a scope."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from drivers.scope.capture import Capture, ChannelRecord, Identity, TriggerRecord
from service.hooks import RunHooks
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot
from service.report.meta import ReportMeta
from service.settings import Settings, read_settings
from service.stations import Probe, Station
from service.wiring import Wiring, build
from tests import fresh

NAMES = ("north-1", "north-2", "south-1")


def station(name: str = "north-1", **changes: Any) -> Station:
    """A station of the Harbour Street lab; nothing answers at its addresses."""
    port = 20000 + NAMES.index(name) if name in NAMES else 21000
    values: dict[str, Any] = {
        "name": name,
        "scope": f"TCPIP::127.0.0.1::{port}::SOCKET",
        "dialect": "scpi-1999",
        "serial": f"socket://127.0.0.1:{port + 500}",
        "baud": 230400.0,
        "frame": FrameFormat.parse("8N1"),
        "logic": "3.3",
        "probes": {"to_target": Probe("1", 10.0), "from_target": Probe("2", 10.0)},
    }
    return Station(**(values | changes))


def station_toml(name: str = "north-1") -> str:
    """Such a station as a stations file has it; nobody listens on port 9."""
    return f"""
[[station]]
name = "{name}"
scope = "TCPIP::127.0.0.1::9::SOCKET"
dialect = "scpi-1999"
serial = "socket://127.0.0.1:9"
baud = 230400
frame = "8N1"
logic = "3.3"
[station.probes]
to_target = {{channel = "1", ratio = 10}}
from_target = {{channel = "2", ratio = 10}}
"""


def capture() -> Capture:
    """A short record of nothing much."""
    rows = tuple(
        ChannelRecord(name, np.arange(-4, 4, dtype=np.int8), 0.02, 1.6, -128, 127) for name in ("1", "2")
    )
    identity = Identity("Harbour Street", "straw", "0001", "1.0")
    trigger = TriggerRecord("1", 1.6, "falling", True)
    return Capture(rows, 1e-6, -4e-6, trigger, identity, "2027-01-12T06:31:08Z")


@dataclass
class StrawEchoTest:
    """Stands in for `run_echo_test` where no instrument is wanted: keeps a capture, gives the verdict.

    With `gated`, each run says that it is at work and waits for `let_go`, so that tests need not sleep.
    """

    verdict: str = "pass"
    gated: bool = False
    raises: BaseException | None = None
    let_go: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))
    at_work: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))
    seen: list[tuple[str, bytes]] = field(default_factory=list)
    together: dict[str, int] = field(default_factory=dict)
    most_together: dict[str, int] = field(default_factory=dict)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def __call__(self, at: Station, payload: bytes, hooks: RunHooks) -> dict[str, Any]:
        with self._guard:
            self.seen.append((at.name, payload))
            self.together[at.name] = self.together.get(at.name, 0) + 1
            self.most_together[at.name] = max(self.most_together.get(at.name, 0), self.together[at.name])
        try:
            return self._work(hooks)
        finally:
            with self._guard:
                self.together[at.name] -= 1

    def _work(self, hooks: RunHooks) -> dict[str, Any]:
        hooks.progress("shot", "sending", 0.5)
        hooks.keep(capture(), "shot 1")
        if self.gated:
            self.at_work.release()
            for _ in range(3000):  # half a minute: a test that failed must not keep its process
                if self.let_go.acquire(timeout=0.01):
                    break
                hooks.stop_if_cancelled()
            else:
                raise AssertionError("nobody let the run go")
        if self.raises is not None:
            raise self.raises
        return {"schema": 1, "verdict": self.verdict, "criteria": [], "findings": []}

    def wait_at_work(self) -> None:
        assert self.at_work.acquire(timeout=20), "no run came to work"


def straw_report(document: Mapping[str, Any], shots: Sequence[Shot], meta: ReportMeta) -> str:
    """Stands in for the report where its content is not the matter."""
    return f"<!doctype html><title>{meta.title}</title><p>{document['verdict']}, {len(shots)} shots</p>"


def settings(folder: Path, **given: Any) -> Settings:
    """Everything below `folder`; nothing of the environment."""
    own = {"data": folder / "data", "locks": folder / "locks", "port": 0, "lock_wait_s": 0.2}
    return read_settings(own | given, env={})


def straw_wiring(
    folder: Path, echo: StrawEchoTest | None = None, more: Mapping[str, Any] | None = None, **given: Any
) -> Wiring:
    """A service of three stations with the instrument side replaced; `more` goes to `build`."""
    parts: dict[str, Any] = {
        "stations": [station(name) for name in NAMES],
        "echo_test": echo or StrawEchoTest(),
        "render_report": straw_report,
        "make_idle": lambda _station: None,
    }
    chosen = settings(folder, **given)
    fresh.lay_out(chosen)
    return build(chosen, **(parts | dict(more or {})))
