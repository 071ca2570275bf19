"""A station before term: one walk that proves all of it, with what is left out said."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pytest

from service.check import before_term
from service.check.asked import Asked
from service.check.before_term import PARTS
from service.check.check import run_check
from service.check.context import Context
from service.hooks import RunHooks
from simulator.bench import Bench, open_benches
from simulator.plan import FROM_TARGET, TO_TARGET
from tests.service.check.hands import Hands, Person
from tests.whole.benches import station_of


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=81) as (one,):
        yield one


class Technician(Person):
    """Somebody with a loop-back wire, who can be told to leave steps out."""

    def __init__(self, bench: Bench, skips: tuple[str, ...] = (), **instead: Any) -> None:
        hands = Hands(bench)
        deeds = {
            "tips exchanged": lambda: hands.both(FROM_TARGET, TO_TARGET),
            "tips back": lambda: hands.both(TO_TARGET, FROM_TARGET),
            "loop-back wire": lambda: bench.person.wire_loopback(True),
            "board back on the link": lambda: bench.person.wire_loopback(False),
            "board's reset": bench.person.reset_board,
            "wiggle": lambda: None,
            "tips off and on": lambda: None,
            "around the wire": lambda: None,
        }
        super().__init__(hands, deeds | instead, patience=14)
        self.skips = skips

    def _watch(self, prompt: Any, limit_s: float, look: Any, every_s: float) -> Any:
        if prompt["name"] in self.skips:
            self.prompts.append(dict(prompt))
            return {"by": "person", "skip": True}
        return super()._watch(prompt, limit_s, look, every_s)


def commissioned(bench: Bench, person: Person, hooks: RunHooks | None = None) -> dict[str, Any]:
    context = dataclasses.replace(Context(), asked=Asked(only=("before-term",)))
    return run_check(station_of(bench), hooks or person.hooks(), context, ("before-term",))


def only(monkeypatch: pytest.MonkeyPatch, *parts: str) -> None:
    """The walk is of these parts: all of it is walked in the first test below."""
    monkeypatch.setattr(before_term, "PARTS", {name: PARTS[name] for name in parts})


@pytest.mark.parametrize("repeats", [6, pytest.param(before_term.REPEATS, marks=pytest.mark.soak)])
def test_a_good_station_is_proven_in_one_walk(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, repeats: int
) -> None:
    """Every part of A3: identity, zero, gain, time, probes, swap, trigger, transfer, loop-back, echo."""
    assert before_term.REPEATS >= 10, "a baseline is made of ten or more"
    monkeypatch.setattr(before_term, "REPEATS", repeats)
    person = Technician(bench)
    document = commissioned(bench, person)
    serious = [(f["code"], f["message"]) for f in document["findings"] if f["severity"] != "info"]
    assert (document["outcome"], serious) == ("ready", [])
    told = document["before_term"]
    assert told["complete"] is True
    assert list(told["parts"]) == list(PARTS)
    names = {item["name"] for item in document["items"]}
    assert {
        "answer_time", "to_target.zero", "channel_match", "time_base", "from_target.compensation",
        "to_target.swap_match", "trigger_spread", "transfer_errors", "loop_errors", "echo_errors",
        "start_errors", "from_target.dropouts",
    } <= names  # fmt: skip
    assert len(document["repeats"]["latency"]["values"]) >= repeats
    assert set(document["repeats"]["latency"]["connections"]) == {0, 1, 2}
    assert document["repeats"]["to_target.probe_factor"]["between"] is not None
    steps = [prompt["step"] for prompt in person.prompts if not prompt["extra"]]
    assert steps == list(range(1, 13))


def test_what_is_left_out_is_said_and_makes_practice_only(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No loop-back wire at hand: the station cannot be booked for tests that count."""
    only(monkeypatch, "unattended", "loop-back")
    document = commissioned(bench, Technician(bench, skips=("loop-back wire",)))
    assert document["outcome"] == "practice-only"
    assert document["before_term"]["parts"]["loop-back"] == "left out"
    assert document["before_term"]["complete"] is False
    assert "loop-back left out" in document["findings"][0]["message"]


def test_a_link_that_loses_characters_is_barred_by_the_loop_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every fifth byte of a burst is lost by the adapter itself (needs of this house, A8)."""
    only(monkeypatch, "unattended", "loop-back")
    with open_benches(seed=81, bench="stimulus-differs") as (lossy,):
        document = commissioned(lossy, Technician(lossy))
    item = next(i for i in document["items"] if i["name"] == "loop_errors")
    assert (item["verdict"], item["value"] > 100) == ("fail", True)
    assert document["outcome"] == "not-usable"


def test_a_boot_loader_that_does_not_give_way_is_named_in_the_walk(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Needs of this house, A3: the boot loader is a part of commissioning."""
    only(monkeypatch, "unattended", "boot loader")
    stuck = {"board's reset": lambda: bench.person.swap_board("boot-loader")}
    document = commissioned(bench, Technician(bench, (), **stuck))
    assert [f["code"] for f in document["findings"]] == ["boot-loader-waiting"]
    assert (document["outcome"], "reset" in document["first_step"]) == ("practice-only", True)
    item = next(i for i in document["items"] if i["name"] == "start_errors")
    assert (item["verdict"], item["value"]) == ("fail", 255)


@pytest.mark.soak
def test_a_walk_that_is_done_again_after_a_crash_measures_nothing_twice(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Answers and captures are replayed; only the trigger, which may have been touched, is anew."""
    monkeypatch.setattr(before_term, "REPEATS", 2)
    answers: list[Any] = []
    first = Technician(bench)
    hooks = first.hooks()

    def recording(*step: Any) -> Any:
        answers.append(hooks.watch(*step))
        return answers[-1]

    before = commissioned(bench, first, dataclasses.replace(hooks, watch=recording))
    again, replayed, anew = Technician(bench), iter(answers), []
    again.kept = first.kept
    after = commissioned(
        bench,
        again,
        dataclasses.replace(
            again.hooks(), watch=lambda *_step: next(replayed), keep=lambda _c, label: anew.append(label)
        ),
    )
    live = ("answer_time", "found_trigger_misses", "trigger_margin")
    values = [{i["name"]: i["value"] for i in d["items"] if i["name"] not in live} for d in (before, after)]
    assert values[0] == values[1]
    assert all(label.startswith("trigger: ") for label in anew)
