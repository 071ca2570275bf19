"""The checker is checked on a simulated bench: images are put onto the board one after the other."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Container, Mapping
from typing import Any

import pytest

from service.check.check import run_check
from service.check.checker import SEEDED
from service.check.context import Context
from service.hooks import Look, RunHooks
from tests.whole.benches import one_bench, station_of

DAILY = ("good", "swaps-pair", "wrong-rate")


def walked(
    images: Container[str], wrong: Mapping[str, str] | None = None, bench: str = "good"
) -> dict[str, Any]:
    """The document after a person put those images onto the board; `wrong`: another one in place of one."""
    with one_bench(bench=bench, seed=9) as simulated:

        def watch(
            prompt: Mapping[str, Any], _limit_s: float, _look: Callable[[], Look], _every_s: float
        ) -> Mapping[str, Any]:
            name = prompt["name"].removeprefix("firmware ")
            if name not in images:
                return {"by": "person", "skip": True}
            simulated.person.swap_board((wrong or {}).get(name, name))
            return {"by": "person"}

        hooks = dataclasses.replace(RunHooks(), watch=watch)
        return run_check(station_of(simulated), hooks, Context(), ("checker",))


def test_the_golden_image_passes_and_faults_are_caught_for_their_own_reason() -> None:
    """Three of them; the others are left out, and said so by their absence."""
    document = walked(DAILY)
    assert [(row["firmware"], row["caught"]) for row in document["checker"]] == [(n, True) for n in DAILY]
    assert document["outcome"] == "ready"


def test_an_image_that_is_not_what_was_said_is_told() -> None:
    """A good board in the place of a bad one: the check must not be content."""
    document = walked(("drops-one",), wrong={"drops-one": "good"})
    assert document["outcome"] == "not-usable"
    (finding,) = document["findings"]
    assert finding["code"] == "checker-misses"
    assert "drops-one" in finding["message"]


def test_without_any_image_nothing_is_proven() -> None:
    """Inconclusive, never a pass."""
    document = walked(())
    assert [item["verdict"] for item in document["items"]] == ["inconclusive"]
    assert document["outcome"] == "practice-only"


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_every_image_is_caught() -> None:
    """A7: one good, thirteen bad."""
    document = walked([seeded.name for seeded in SEEDED])
    assert len(document["checker"]) == len(SEEDED) >= 13
    assert [row for row in document["checker"] if not row["caught"]] == []
