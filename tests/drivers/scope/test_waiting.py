"""How a dialect may tell that a shot is complete, and how many round trips it all costs."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

import drivers
from drivers.errors import InstrumentError, TimedOut
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from simulator.bench import open_benches
from tests.drivers.servers import Act, Server, line_server, say

SETUP = ScopeSetup({"1": ChannelSetup(8.0)}, 1e-6, 1000, 0.0, TriggerSetup("1", 1.0))

DONE = {
    # 488.2 10.18 and 11.5.1: *OPC sets bit 0 of the event register when all is finished
    "event-register": '[arm]\nwrite = ["*CLS", "ABOR", "INIT", "*OPC"]\n'
    '[done]\nby = "register"\nquery = "*ESR?"\nmask = 1\nvalue = 1\n',
    # 488.2 10.19: *OPC? is answered when all is finished, and not before
    "answer": '[done]\nby = "answer"\nquery = "*OPC?"\ntimeout_s = 0.05\n',
    "register": "",
}


@pytest.mark.parametrize("way", ["socket", "hislip"])
@pytest.mark.parametrize("kind", DONE)
def test_each_way_to_know_that_a_shot_is_complete(kind: str, way: str, tmp_path: Path) -> None:
    """Against the simulated bench: not yet while it waits, yes after the trigger, and yes again when
    asked again."""
    path = tmp_path / "mine.toml"
    without = 'without = ["ready"]\n' if DONE[kind] else ""
    path.write_text(
        f'schema = 1\nname = "mine"\nbased_on = "scpi-1999"\n{without}{DONE[kind]}', encoding="utf-8"
    )
    with open_benches(seed=5) as (bench,), drivers.open_scope(getattr(bench.addresses, way), path) as scope:
        scope.set_up(SETUP)
        scope.arm()
        assert not scope.is_done()
        scope.force()
        assert scope.wait(10.0)
        assert scope.is_done()
        assert len(scope.fetch().channel("1").codes) == 1000


def test_a_set_up_costs_few_round_trips_however_many_settings_it_has() -> None:
    """Each answer is waited for; joined, forty settings need less than ten."""
    both = ScopeSetup({"1": ChannelSetup(8.0), "2": ChannelSetup(8.0)}, 1e-6, 1000, 0.0, SETUP.trigger)
    with (
        open_benches(seed=6) as (bench,),
        _relay(bench.addresses.socket) as server,
        drivers.open_scope(server.socket_address, "scpi-1999") as scope,
    ):
        before = len(server.heard)
        scope.set_up(both)
        lines = server.heard[before:]
    questions = [line for line in lines if "?" in line]
    settings = [line for line in lines if "?" not in line]
    assert len(questions) <= 5
    assert sum(line.count(";") + 1 for line in settings) >= 25
    assert sum(line.count("?") for line in questions) >= 25


@contextlib.contextmanager
def _relay(address: str) -> Iterator[Server]:
    """A server that passes every line on to the bench and writes it down."""
    with socket.create_connection(("127.0.0.1", int(address.split("::")[2]))) as bench:
        bench.settimeout(10)
        answers = bench.makefile("rb")

        def play(line: str) -> Act | None:
            bench.sendall(line.encode() + b"\n")
            return Act(answers.readline()) if "?" in line else None

        with answers, line_server(play) as server:
            yield server


def test_the_wait_gives_up_at_its_deadline() -> None:
    """False, no error: what is to be done then, the caller knows."""
    answers = {
        "STAT:OPER:COND?": say("40"),
        "*IDN?": say("HARBOUR STREET,X,1,0"),
        "*ESR?": say("0"),
        "SYST:ERR?": say('0,"No error"'),
    }
    now = [0.0]
    with line_server(answers) as server, drivers.open_scope(server.socket_address, "scpi-1999") as scope:
        scope._clock = lambda: now[0]
        scope._pause = lambda seconds: now.__setitem__(0, now[0] + seconds)
        assert not scope.wait(1.0)
        assert now[0] == pytest.approx(1.0)
        polls = server.heard.count("STAT:OPER:COND?")
        assert 20 < polls < 60


def test_an_error_queue_that_never_ends_is_told() -> None:
    """Draining is bounded: a scope that always complains is at fault itself."""
    answers = {
        "*IDN?": say("HARBOUR STREET,X,1,0"),
        "*ESR?": say("0"),
        "SYST:ERR?": say('-350,"Queue overflow"'),
    }
    with line_server(answers) as server, pytest.raises(InstrumentError, match="more than 40 entries"):
        drivers.open_scope(server.socket_address, "scpi-1999", timeout_s=0.5)


def test_a_scope_that_is_gone_at_the_end_does_not_hide_the_first_error() -> None:
    """Stopping it fails too; what is told is what went wrong first."""
    answers: dict[str, Act | list[Act]] = {
        "*IDN?": [say("HARBOUR STREET,X,1,0"), Act(then_close=True)],
        "*ESR?": say("0"),
        "SYST:ERR?": say('0,"No error"'),
    }
    with line_server(answers) as server, pytest.raises(TimedOut, match=r"STAT:OPER:COND\?"):
        _poll_once(server.socket_address)


def _poll_once(address: str) -> None:
    with drivers.open_scope(address, "scpi-1999", timeout_s=0.2) as scope:
        scope._armed = True
        scope.is_done()


def test_a_scope_without_an_event_register_is_told_how_to_do_without() -> None:
    """Its dialect came from one that has the entry: the way out stands in the error."""
    answers = {"*IDN?": say("HARBOUR STREET,X,1,0"), "SYST:ERR?": say('0,"No error"')}
    with line_server(answers) as server, pytest.raises(TimedOut, match=r'without = \["event_status"\]'):
        drivers.open_scope(server.socket_address, "scpi-1999", timeout_s=0.2)
