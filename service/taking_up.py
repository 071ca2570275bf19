"""What is kept beside a capture, so that a run whose program died goes on without taking it again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from drivers.scope.setup import ChannelState, Difference, ScopeState


def facts_of(received: bytes, state: ScopeState, more: bytes = b"") -> dict[str, Any]:
    """As JSON: what the link heard, what it brought beyond that, and what the scope had made of its
    settings.
    """
    return {"received_hex": received.hex(), "more_hex": more.hex(), "state": asdict(state)}


def received_of(facts: Mapping[str, Any]) -> bytes:
    """The way back from `facts_of`."""
    return bytes.fromhex(facts["received_hex"])


def more_of(facts: Mapping[str, Any]) -> bytes:
    """The way back from `facts_of`; nothing in what older versions kept."""
    return bytes.fromhex(facts.get("more_hex", ""))


def state_of(facts: Mapping[str, Any]) -> ScopeState:
    """The way back from `facts_of`."""
    state = dict(facts["state"])
    state["channels"] = {name: ChannelState(**values) for name, values in state["channels"].items()}
    state["differences"] = tuple(Difference(**values) for values in state["differences"])
    return ScopeState(**state)
