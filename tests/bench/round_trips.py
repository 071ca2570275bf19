"""What a full set-up of a scope costs: round trips, counted by a relay between driver and simulator, beside
the queries that the simulator answered."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import drivers
from simulator.scope.instrument import Conversation
from simulator.scope.makers import MAKERS
from tests.bench.figures import Figure
from tests.simulator.clients import port_of
from tests.whole.benches import dialect_of, one_bench
from tests.whole.fault_table import SETUP, of_this_scope
from tests.witnesses.relay import relayed

SCOPES = tuple(maker.name for maker in MAKERS)
TRANSPORTS = ("socket", "hislip")
ADDRESSES = {"socket": "TCPIP::127.0.0.1::{}::SOCKET", "hislip": "TCPIP::127.0.0.1::hislip0,{}::INSTR"}


@dataclass(frozen=True)
class Cost:
    """Of one set-up."""

    round_trips: int
    queries: int


def cost_of_a_set_up(scope: str, transport: str) -> Cost:
    """Everything set and read back once, two channels on."""
    with one_bench(scope=scope, seed=3) as bench, contextlib.ExitStack() as stack:
        relay = stack.enter_context(relayed(port_of(getattr(bench.addresses, transport))))
        address = ADDRESSES[transport].format(relay.port)
        opened = stack.enter_context(drivers.open_scope(address, dialect_of(bench)))
        answers = stack.enter_context(answers_counted())
        relay.forget()
        opened.set_up(of_this_scope(SETUP, bench))
        return Cost(relay.turns(), len(answers))


@contextlib.contextmanager
def answers_counted() -> Iterator[list[object]]:
    """One entry for each answer that a simulated scope gives meanwhile."""
    answers: list[object] = []
    usual = Conversation.answer

    def answer(self: Conversation, response: str | bytes, *, asks_progress: bool = False) -> None:
        answers.append(response)
        usual(self, response, asks_progress=asks_progress)

    Conversation.answer = answer  # type: ignore[method-assign]
    try:
        yield answers
    finally:
        Conversation.answer = usual  # type: ignore[method-assign]


def round_trip_figures(scopes: Sequence[str] = SCOPES) -> Iterator[Figure]:
    """Round trips for each query, at most 1."""
    for scope in scopes:
        for transport in TRANSPORTS:
            cost = cost_of_a_set_up(scope, transport)
            note = f"{cost.round_trips} round trips, {cost.queries} queries"
            ratio = cost.round_trips / cost.queries
            yield Figure("set-up", f"{scope} {transport}", "round trips a query", ratio, 1.0, note=note)
