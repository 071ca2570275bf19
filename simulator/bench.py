"""One simulated station: adapter, wires, board, probes, scope, and the ports at which they are reached."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from simulator.bridge.doors import Doors, Porter
from simulator.clock import Clock, RealClock, VirtualClock
from simulator.faults import bench_plan
from simulator.frame import Frame
from simulator.person import Person
from simulator.plan import BenchPlan
from simulator.scope.instrument import Scope
from simulator.scope.switches import Switches
from simulator.transports import raw_socket
from simulator.transports.delivery import REFUSED, SILENT_ACCEPT, SWITCH_NAMES
from simulator.transports.hislip import HislipServer
from simulator.transports.locks import Locks
from simulator.transports.server import Serve, Server
from simulator.transports.vxi11 import Vxi11Server
from simulator.wires.network import Network


@dataclass(frozen=True)
class Addresses:
    """Where a bench is reached."""

    station: str
    socket: str
    hislip: str
    vxi11: str
    serial: str
    pty: str

    def as_json(self) -> dict[str, Any]:
        """The line that `python -m simulator` prints."""
        return {
            "station": self.station,
            "scope": {"socket": self.socket, "hislip": self.hislip, "vxi11": self.vxi11},
            "serial": {"socket": self.serial, "pty": self.pty},
        }


class Bench:
    """A running bench. Everything on it happens under `changed`, in bench time."""

    def __init__(self, plan: BenchPlan, clock: Clock, host: str = "127.0.0.1") -> None:
        self.clock = clock
        self.changed = threading.Condition(threading.RLock())
        self.network = Network(plan)
        switches = Switches(SWITCH_NAMES, plan.faults)
        self.scope = Scope(plan, clock, self.network.nodes, self.changed, switches)
        self.scope.before_message = self._settle
        self.scope.after_message = self._look_ahead
        self.scope.person = self.person = Person(plan, self.scope, self.network)
        self._doors = Doors(host)
        locks = Locks()
        hislip, vxi11 = HislipServer(self.scope, locks), Vxi11Server(self.scope, locks)
        ways: tuple[tuple[str, Serve], ...] = (
            ("socket", lambda connection: raw_socket.serve(connection, self.scope)),
            ("hislip", hislip.serve),
            ("vxi11", vxi11.serve_core),
            ("vxi11-abort", vxi11.serve_abort),
        )
        self._servers = tuple(
            Server(host, serve, name, lambda: switches.take(SILENT_ACCEPT)) for name, serve in ways
        )
        vxi11.abort_port = self._servers[3].port
        self._refusing = threading.Lock()
        switches.handle(REFUSED, self._refuse_controllers)
        self._porter = Porter(self._doors, self._work)
        self.addresses = Addresses(
            station=plan.station,
            socket=f"TCPIP::{host}::{self._servers[0].port}::SOCKET",
            hislip=f"TCPIP::{host}::hislip0,{self._servers[1].port}::INSTR",
            vxi11=f"TCPIP::{host},{self._servers[2].port}::INSTR",
            serial=f"socket://{host}:{self._doors.port}",
            pty=self._doors.pty,
        )

    @property
    def plan(self) -> BenchPlan:
        """The truth about it as it is now."""
        return self.person.plan

    def close(self) -> None:
        """Ends all connections and threads."""
        for server in self._servers:
            server.close()
        self._porter.close()
        self._doors.close()

    def _refuse_controllers(self, seconds: float) -> None:
        with self._refusing:
            for server in self._servers:
                server.refuse(seconds)

    def _settle(self) -> None:
        """Lets in what the PC has written, and out what is due for it.

        With the virtual clock, what a write sets off is over at once: the clock jumps to its end, so that it
        does not matter which thread saw the bytes first.
        """
        written = self._doors.pump()
        if written:
            self.network.write(written, self.clock.now())
            if self.clock.virtual:
                self.clock.reach(self.network.quiet_at())
            else:
                self._doors.wake()  # the porter must look again at when bytes are due
            self.changed.notify_all()
        self.network.catch_up(self.clock.now())
        due = self.network.adapter.read(self.clock.now())
        if due:
            self._doors.deliver(due)

    def _look_ahead(self) -> None:
        """A message may have begun something whose end requests service: the porter must not oversleep."""
        if self.scope.status.service_enable and self.scope.acquisition.busy and not self.clock.virtual:
            self._doors.wake()

    def _work(self) -> float | None:
        """The porter's round; seconds until the next one is needed."""
        with self.changed:
            self._settle()
            self.scope.advance()
            now = self.clock.now()
            events = [self.network.next_event()]
            if self.scope.status.service_enable:
                events.append(self.scope.acquisition.next_event(now))
            due = [event for event in events if event is not None]
            return max(min(due) - now, 0.0) if due and not self.clock.virtual else None


@contextlib.contextmanager
def open_benches(
    count: int = 1,
    *,
    firmware: str = "good",
    bench: str = "good",
    seed: int = 1,
    baud: float = 230400.0,
    frame: str = "8N1",
    memory: int = 1_000_000,
    host: str = "127.0.0.1",
    clock: str = "virtual",
    faults: Sequence[str] = (),
    scope: str = "standard",
    age_days: float = 0.0,
) -> Iterator[tuple[Bench, ...]]:
    """Running benches for a `with` block; each has `.addresses` and `.plan`. KeyError for an unknown kind."""
    plans = [
        bench_plan(
            firmware=firmware,
            bench=bench,
            seed=seed,
            index=index,
            baud=baud,
            frame=Frame.parse(frame),
            memory=memory,
            faults=tuple(faults),
            scope=scope,
            age_days=age_days,
        )
        for index in range(count)
    ]
    with contextlib.ExitStack() as stack:
        benches = []
        for plan in plans:
            running = Bench(plan, VirtualClock() if clock == "virtual" else RealClock(), host)
            stack.callback(running.close)
            benches.append(running)
        yield tuple(benches)
