"""One input of the scope through time: a person may move its probe, turn its trimmer, throw its switch.

What was so when a sample was taken counts for that sample, however late the record is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from simulator.plan import FLOATING, InputPlan
from simulator.scope.front_end import Channel, Codes
from simulator.scope.settings import ChannelSettings
from simulator.wires.contact import Contact, Node
from simulator.wires.waveform import Floats

KEPT = 200
"""Changes that are remembered: a record that is older than all of them is shown as after the oldest."""


class Input:
    """The face of `Channel`, with changes."""

    def __init__(self, plan: InputPlan, nodes: dict[str, Node], seed: tuple[int, ...]) -> None:
        self._nodes = nodes
        self._seed = seed
        self._tip = Contact(nodes[plan.probe.node])
        self._since = [-math.inf]
        self._ways = [Channel(plan, nodes, seed, self._tip)]

    @property
    def plan(self) -> InputPlan:
        """As it is now."""
        return self._ways[-1].plan

    def change(self, plan: InputPlan, at: float) -> None:
        """From this instant on it is so."""
        if plan.probe.node != self.plan.probe.node:
            self._tip.touch(self._nodes[plan.probe.node], at)
        self._since.append(max(at, self._since[-1]))
        self._ways.append(Channel(plan, self._nodes, self._seed, self._tip))
        del self._since[:-KEPT], self._ways[:-KEPT]
        self._since[0] = -math.inf

    def lose_contact(self, at: float, seconds: float) -> None:
        """The tip comes off and back on."""
        self._tip.touch(self._nodes[FLOATING], at)
        self._tip.touch(self._nodes[self.plan.probe.node], at + seconds)

    def shown(self, at: Floats, origin: float, settings: ChannelSettings) -> Floats:
        """As `Channel.shown`."""
        if len(self._ways) == 1:
            return self._ways[0].shown(at, origin, settings)
        parts = [
            way.shown(at[slice(*np.searchsorted(at, [begin - origin, end - origin]))], origin, settings)
            for begin, end, way in self._stretches()
        ]
        return np.concatenate(parts)

    def codes(
        self, shown: Floats, settings: ChannelSettings, rng: np.random.Generator, bits: int = 8
    ) -> Codes:
        """As `Channel.codes`."""
        return self._ways[-1].codes(shown, settings, rng, bits)

    def noise_v(self, settings: ChannelSettings) -> float:
        """As `Channel.noise_v`."""
        return self._ways[-1].noise_v(settings)

    def steps_between(self, start: float, end: float, settings: ChannelSettings) -> Floats:
        """As `Channel.steps_between`; each change is a step."""
        parts = [np.array([since for since in self._since[1:] if start <= since < end])]
        for begin, stop, way in self._stretches():
            if max(begin, start) < min(stop, end):
                parts.append(way.steps_between(max(begin, start), min(stop, end), settings))
        return np.unique(np.concatenate(parts))

    def edge_s(self, settings: ChannelSettings) -> float:
        """As `Channel.edge_s`."""
        return self._ways[-1].edge_s(settings)

    def last_step_at(self, now: float) -> float | None:
        """As `Channel.last_step_at`."""
        return self._ways[-1].last_step_at(now)

    def tail_s(self) -> float:
        """As `Channel.tail_s`; the longest that still counts."""
        return max(way.tail_s() for way in self._ways[-2:])

    def _stretches(self) -> Iterator[tuple[float, float, Channel]]:
        for (begin, end), way in zip(pairwise([*self._since, math.inf]), self._ways, strict=True):
            yield begin, end, way
