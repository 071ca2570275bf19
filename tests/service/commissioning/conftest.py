"""A simulated bench to be commissioned, and what its scope hears."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from simulator.bench import Bench, open_benches
from simulator.scope.instrument import Conversation as SimulatedConversation


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=31) as (one,):
        yield one


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every message that reaches a simulated scope."""
    messages: list[str] = []
    execute = SimulatedConversation.execute

    def listening(self: SimulatedConversation, message: bytes) -> bytes:
        messages.append(message.decode("ascii").strip())
        return execute(self, message)

    monkeypatch.setattr(SimulatedConversation, "execute", listening)
    return messages
