"""What a point of the bench touches: one node after another as a person moves it, with gaps where the contact
is bad. The way from one node to the next is a step like any other, so that all that follows treats it so.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence

import numpy as np

from simulator.wires.line import Floating, Line, Piece, ReferenceOutput

CONTACT_S = 40e-9
"""10-90 % time of making and of breaking contact (a choice of ours)."""
SLOT_S = 1.0
NOTHING = Floating()


class Contact:
    """A point that touches one node at a time."""

    def __init__(self, node: Node) -> None:
        self._since = [-math.inf]
        self._nodes: list[Node] = [node]

    @property
    def node(self) -> Node:
        """What it touches in the end: what is known of the future counts."""
        return self._nodes[-1]

    def touch(self, node: Node, at: float) -> None:
        """From `at` on it touches this node; never before the move that came before."""
        self._since.append(max(at, self._since[-1]))
        self._nodes.append(node)

    def piece(self, start: float, end: float) -> Piece:
        """The steps with start <= time < end."""
        if len(self._nodes) == 1:
            return self._nodes[0].piece(start, end)
        first = bisect_right(self._since, start) - 1
        return joined(zip(self._since[first:], self._nodes[first:], strict=True), start, end)

    def last_step(self, now: float) -> float | None:
        """The last step that is known, those of the future included; None: there was none."""
        steps = [self.node.last_step(now), self._since[-1] if len(self._since) > 1 else None]
        return max((step for step in steps if step is not None), default=None)


class BadContact:
    """A node that is lost now and then: at random instants, the same ones whoever asks, whenever."""

    def __init__(self, node: Node, per_s: float, gap_s: float, seed: Sequence[int]) -> None:
        self._node = node
        self._per_s = per_s
        self._gap_s = gap_s
        self._seed = tuple(seed)

    def piece(self, start: float, end: float) -> Piece:
        """The steps with start <= time < end."""
        stretches: list[tuple[float, Node]] = [(-math.inf, self._node)]
        for begin, back in self.gaps(start, end):
            if begin < stretches[-1][0]:
                stretches[-1] = (back, self._node)  # the next gap began before this one was over
            else:
                stretches += [(begin, NOTHING), (back, self._node)]
        return joined(stretches, start, end)

    def last_step(self, now: float) -> float | None:
        """That of the node: a gap is nothing that anybody waits for."""
        return self._node.last_step(now)

    def gaps(self, start: float, end: float) -> list[tuple[float, float]]:
        """Begin and end of each gap that touches start..end, by begin."""
        slots = range(math.floor((start - self._gap_s) / SLOT_S), math.floor(end / SLOT_S) + 1)
        begins = np.concatenate([self._slot(slot) for slot in slots]).tolist()
        return [(at, at + self._gap_s) for at in begins if at + self._gap_s > start and at < end]

    def _slot(self, slot: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        rng = np.random.default_rng([*self._seed, 8, abs(slot)])
        count = int(rng.poisson(self._per_s * SLOT_S))
        return np.sort(rng.uniform(slot * SLOT_S, (slot + 1) * SLOT_S, count))


Node = Line | ReferenceOutput | Floating | Contact | BadContact


def joined(stretches: Iterable[tuple[float, Node]], start: float, end: float) -> Piece:
    """What is seen from start to end of nodes of which each counts from its instant on, in time order."""
    order = list(stretches)
    ends = [since for since, _ in order[1:]] + [math.inf]
    parts: list[Piece] = []
    for (since, node), until in zip(order, ends, strict=True):
        if until <= start or until <= since or (since >= end and parts):
            continue  # over before it begins, or it never counted
        piece = node.piece(max(since, start), max(min(until, end), start))
        parts.append(_with_contact(piece, since) if since > start else piece)
    return Piece(
        parts[0].start_v,
        np.concatenate([part.times for part in parts]),
        np.concatenate([part.volts for part in parts]),
        np.concatenate([part.durations for part in parts]),
    )


def _with_contact(piece: Piece, at: float) -> Piece:
    """The piece with the step that leads to it."""
    return Piece(
        piece.start_v,
        np.concatenate([[at], piece.times]),
        np.concatenate([[piece.start_v], piece.volts]),
        np.concatenate([[CONTACT_S], piece.durations]),
    )
