"""Repeats of a check, and what is done between their connections (arithmetic: pipeline/test_repeats.py)."""

from __future__ import annotations

import pytest

from service.check.items import CheckItem, make_item
from service.check.repeats import repeated


def test_every_item_is_kept_with_all_its_numbers() -> None:
    """What could not be measured is left out, not counted as zero."""

    def look(number: int) -> list[CheckItem]:
        value = None if number == 2 else float(number)
        return [make_item("latency", value, 0.0, "board", high=9.0)]

    told = repeated(look, 3)
    assert told["latency"]["values"] == [1.0, 3.0]
    assert told["latency"]["unit"] == "s"
    assert told["latency"]["between"] is None, "one connection says nothing of others"


def test_within_and_between_as_the_analysis_of_variance_has_them() -> None:
    """By hand: (1, 3), (5, 7), (9, 11): mean 6; mean square within 2, between 32; (32 - 2) / 2 = 15."""
    values = iter((1.0, 3.0, 5.0, 7.0, 9.0, 11.0))
    done: list[str] = []

    def look(_number: int) -> list[CheckItem]:
        done.append("look")
        return [make_item("latency", next(values), 0.0, "board", high=90.0)]

    def off_and_on() -> bool:
        done.append("off and on")
        return True

    told = repeated(look, 6, [off_and_on, off_and_on])["latency"]
    assert done == ["look", "look", "off and on"] * 2 + ["look", "look"]
    assert (told["mean"], told["connections"]) == (6.0, [0, 0, 1, 1, 2, 2])
    assert told["within"] ** 2 == pytest.approx(2.0)
    assert told["between"] ** 2 == pytest.approx(15.0)


def test_a_step_that_is_left_out_makes_no_new_connection() -> None:
    """What nobody took off was not put on again: nothing is said of connections."""
    told = repeated(
        lambda number: [make_item("latency", float(number), 0.0, "board", high=9.0)], 4, [lambda: False]
    )
    assert told["latency"]["connections"] == [0, 0, 0, 0]
    assert told["latency"]["between"] is None
