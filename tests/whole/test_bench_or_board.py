"""Is it the bench or the board? Asked of simulated benches, with and without a pair of hands."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from service.check.asked import Asked
from service.check.check import run_check
from service.check.context import Context
from service.hooks import Look, RunHooks
from simulator.bench import Bench
from tests.whole.benches import one_bench, station_of

ALONE: tuple[tuple[str, str, str | None, str], ...] = (
    #  bench             firmware        part               how
    ("good", "good", None, "sure"),
    ("good", "changes-case", "board", "sure"),
    ("good", "late", "board", "sure"),
    ("good", "silent", "board", "likely"),
    ("stimulus-differs", "good", "bridge", "sure"),
    ("dead-channel", "good", "probe/to_target", "likely"),
    ("lines-bridged", "good", "wiring", "sure"),
    ("link-dead", "good", None, "unknown"),
    ("bridge-clock-off", "good", "bridge", "sure"),
    ("board-clock-off", "good", "board", "sure"),
    ("slow-timebase", "good", "scope", "likely"),
    ("good", "half-rate", "board", "sure"),
    ("good", "sends-at-half", "board", "sure"),
    ("good", "boot-loader", "boot loader", "likely"),
    ("good", "boot-loader-leaves", "boot loader", "sure"),
    ("good", "boot-loader-silent", "boot loader", "sure"),
)
DAILY = ("half-rate", "boot-loader-leaves", "changes-case", "stimulus-differs", "link-dead")


def asked(
    bench: Bench, hands: Mapping[str, Callable[[Bench], None]] | None = None
) -> tuple[dict[str, Any], list[str]]:
    """The document of one action, and the steps that somebody was asked to do.

    `hands`: by name of the step what is done at the bench; a step that is not there is left out.
    """
    steps: list[str] = []

    def watch(
        prompt: Mapping[str, Any], _limit_s: float, look: Callable[[], Look], _every_s: float
    ) -> Mapping[str, Any]:
        steps.append(prompt["name"])
        assert prompt["caution"], "a step for two hands shows its cautions"
        assert not look().seen
        if hands is None or prompt["name"] not in hands:
            return {"by": "person", "skip": True}
        hands[prompt["name"]](bench)
        return {"by": "person"}

    hooks = dataclasses.replace(RunHooks(), watch=watch)
    context = Context(asked=Asked(alone=hands is None))
    return run_check(station_of(bench), hooks, context, ("bench-or-board",)), steps


@pytest.mark.parametrize(
    ("kind", "firmware", "part", "how"),
    [
        pytest.param(
            *row, id="/".join(row[:2]), marks=[] if set(row[:2]) & set(DAILY) else [pytest.mark.soak]
        )
        for row in ALONE
    ],
)
def test_the_part_is_named_from_what_was_sent_carried_answered_and_heard(
    kind: str, firmware: str, part: str | None, how: str
) -> None:
    """Without hands: named where two witnesses agree, "don't know" where they cannot."""
    with one_bench(bench=kind, firmware=firmware, seed=3) as bench:
        document, steps = asked(bench)
    told = document["bench_or_board"]
    assert (told["part"], told["how"]) == (part, how), told
    assert steps == []
    assert all(cause["words"].count("It is the ") == 0 for cause in document["causes"])  # said once
    assert not any("golden firmware does" in cause["words"] for cause in document["causes"])
    assert (document["outcome"] == "ready") == (part is None and how == "sure")


def test_the_golden_board_at_the_same_place_proves_that_it_was_the_board() -> None:
    """A silent board is only probably at fault, until another one answers there."""
    with one_bench(firmware="silent", seed=3) as bench:
        document, steps = asked(bench, {"golden board": lambda b: b.person.swap_board("good")})
    told = document["bench_or_board"]
    assert (told["part"], told["how"], steps) == ("board", "sure", ["golden board"])
    assert [one["name"] for one in told["rounds"]] == ["present board", "after a rest", "golden board"]


@pytest.mark.soak
def test_a_loop_back_that_stays_silent_names_the_link() -> None:
    """Nothing seen, nothing heard: with the two lines joined the link has only itself to hear."""
    with one_bench(bench="link-dead", seed=3) as bench:
        document, steps = asked(bench, {"loop-back wire": lambda b: b.person.wire_loopback(True)})
    assert (document["bench_or_board"]["part"], steps[0]) == ("bridge", "loop-back wire")


@pytest.mark.soak
def test_a_step_that_nobody_can_do_is_left_out_and_the_answer_stays_dont_know() -> None:
    """No wire, no golden board: no part is named."""
    with one_bench(bench="link-dead", seed=3) as bench:
        document, steps = asked(bench, {})
    told = document["bench_or_board"]
    assert (told["part"], told["how"]) == (None, "unknown")
    assert steps == ["loop-back wire", "golden board"]
    assert told["words"].startswith("Don't know")
