"""The simulated person at a bench, and the hooks of a run whose steps that person does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from drivers.scope.capture import Capture
from service.hooks import Look, RunHooks
from simulator.bench import Bench
from simulator.plan import FROM_TARGET, REFERENCE, TO_TARGET


class Hands:
    """The person of one simulated bench, in the words of these tests."""

    def __init__(self, bench: Bench) -> None:
        self.person = bench.person
        self.move = bench.person.move_probe
        self.switch = bench.person.set_switch
        self.trim = bench.person.turn_trimmer

    def both(self, one: str, other: str) -> None:
        self.move(1, one)
        self.move(2, other)

    def trimmer(self, channel: int) -> float:
        return self.person.plan.scope.inputs[channel - 1].probe.trimmer_pf


Doing = Callable[[], None]


def deeds_of(hands: Hands) -> dict[str, Doing]:
    """What a person does at each step that a guided check can show, by the step's name."""

    def turn(channel: int) -> None:
        """Half of the way to 12 pF; the person sees only the number."""
        now = hands.trimmer(channel)
        hands.trim(channel, now + (12.0 - now) / 2)

    deeds: dict[str, Doing] = {
        "both probes on one node": partial(hands.both, REFERENCE, REFERENCE),
        "back on the board": partial(hands.both, TO_TARGET, FROM_TARGET),
    }
    for n in (1, 2):
        deeds |= {
            f"probe of ch{n} on the reference terminal": partial(hands.move, n, REFERENCE),
            f"switch of the probe of ch{n}": partial(hands.switch, n, 10),
            f"trimmer of the probe of ch{n}": partial(turn, n),
        }
    return deeds


class Person:
    """Does what the steps say; `instead` has other deeds for some of them.

    A deed is called once a look until the step is seen; a person who did all and sees nothing presses Enter.
    """

    def __init__(self, hands: Hands, instead: Mapping[str, Doing] | None = None, patience: int = 12) -> None:
        self.hands = hands
        self.patience = patience
        self.prompts: list[dict[str, Any]] = []
        self.looks: list[Look] = []
        self.kept: dict[str, tuple[Capture, Mapping[str, Any]]] = {}
        self._noted: dict[str, Mapping[str, Any]] = {}
        self.deeds = deeds_of(hands) | dict(instead or {})

    def hooks(self, **more: Any) -> RunHooks:
        return RunHooks(
            watch=self._watch,
            keep=lambda capture, label: self.kept.__setitem__(label, (capture, self._noted.pop(label, {}))),
            note=self._noted.__setitem__,
            kept=self.kept.get,
            **more,
        )

    def _watch(
        self, prompt: Mapping[str, Any], _limit_s: float, look: Callable[[], Look], _every_s: float
    ) -> Mapping[str, Any]:
        self.prompts.append(dict(prompt))
        if prompt["name"] == "before you begin":
            self.looks.append(look())
            return {"by": "person"}
        for _ in range(self.patience):
            self.deeds[prompt["name"]]()
            self.looks.append(look())
            if self.looks[-1].seen:
                return {"by": "bench", "text": self.looks[-1].text, "values": dict(self.looks[-1].values)}
        return {"by": "person"}
