"""The simulated person at a bench, and the hooks of a run whose steps that person does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
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


class Person:
    """Does what the steps say; `instead` has other deeds for steps whose name begins with a key.

    A deed is called once a look until the step is seen; a person who did all and sees nothing presses Enter.
    """

    def __init__(self, hands: Hands, instead: Mapping[str, Doing] | None = None, patience: int = 12) -> None:
        self.hands = hands
        self.patience = patience
        self.prompts: list[dict[str, Any]] = []
        self.looks: list[Look] = []
        self.kept: dict[str, tuple[Capture, Mapping[str, Any]]] = {}
        self._noted: dict[str, Mapping[str, Any]] = {}
        self.deeds: dict[str, Doing] = {
            "probe of ch1": lambda: hands.move(1, REFERENCE),
            "probe of ch2": lambda: hands.move(2, REFERENCE),
            "switch of the probe of ch1": lambda: hands.switch(1, 10),
            "switch of the probe of ch2": lambda: hands.switch(2, 10),
            "trimmer of the probe of ch1": lambda: self.turn(1),
            "trimmer of the probe of ch2": lambda: self.turn(2),
            "both probes on one node": lambda: hands.both(REFERENCE, REFERENCE),
            "back on the board": lambda: hands.both(TO_TARGET, FROM_TARGET),
            **(instead or {}),
        }

    def turn(self, channel: int) -> None:
        """A quarter of the way to 12 pF; the person sees only the number."""
        now = self.hands.trimmer(channel)
        self.hands.trim(channel, now + (12.0 - now) / 2)

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
            self.deeds[prompt["name"].removesuffix(" on the reference terminal")]()
            self.looks.append(look())
            if self.looks[-1].seen:
                return {"by": "bench", "text": self.looks[-1].text}
        return {"by": "person"}
