"""Scatter within a connection and between connections, against a worked example and against made data."""

from __future__ import annotations

import numpy as np
import pytest

from service.check.items import make_item
from service.check.repeats import repeated, spread_of


def test_within_and_between_as_the_analysis_of_variance_has_them() -> None:
    """By hand: (1, 3), (5, 7), (9, 11): mean 6; mean square within 2, between 32; (32 - 2) / 2 = 15."""
    spread = spread_of([[1, 3], [5, 7], [9, 11]])
    assert (spread.centre, spread.repeats) == (6.0, 6)
    assert spread.within**2 == pytest.approx(2.0)
    assert spread.between**2 == pytest.approx(15.0)


def test_made_data_give_back_what_they_were_made_with() -> None:
    """200 connections of 10 repeats, within 0.3, between 0.8."""
    draw = np.random.default_rng(6)
    groups = [list(draw.normal(draw.normal(2.0, 0.8), 0.3, 10)) for _ in range(200)]
    spread = spread_of(groups)
    assert spread.within == pytest.approx(0.3, rel=0.05)
    assert spread.between == pytest.approx(0.8, rel=0.1)


def test_one_connection_says_nothing_of_others() -> None:
    """Between is 0 and not invented; nothing at all is refused."""
    assert spread_of([[1.0, 2.0, 3.0]]).between == 0.0
    with pytest.raises(ValueError, match="at least one number"):
        spread_of([[]])


def test_every_item_is_kept_with_all_its_numbers() -> None:
    """What could not be measured is left out, not counted as zero."""

    def look(number: int) -> list[object]:
        value = None if number == 2 else float(number)
        return [make_item("latency", value, 0.0, "board", high=9.0)]

    told = repeated(look, 3)  # type: ignore[arg-type]
    assert told["latency"]["values"] == [1.0, 3.0]
    assert told["latency"]["unit"] == "s"
