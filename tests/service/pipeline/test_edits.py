"""How many characters differ is counted as the dynamic programme counts, and quickly."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.pipeline.edits import edits


def in_common(sent: list[int], came: list[int]) -> int:
    """The longest common subsequence by the programme's own table (Wagner and Fischer 1974)."""
    row = [0] * (len(came) + 1)
    for value in sent:
        above = row
        row = [0]
        for j, other in enumerate(came, 1):
            row.append(above[j - 1] + 1 if value == other else max(above[j], row[-1]))
    return row[-1]


few = st.lists(st.integers(0, 3), max_size=40)


@given(sent=few, came=few)
def test_the_count_is_that_of_the_whole_table(sent: list[int], came: list[int]) -> None:
    """With so few values everything repeats: the hardest case."""
    assert edits(sent, came) == max(len(sent), len(came)) - in_common(sent, came)


@pytest.mark.parametrize(
    ("sent", "came", "count"),
    [
        (b"Tide 7", b"Tide 7", 0),
        (b"Tide 7", b"Tide", 2),
        (b"Tide 7", b"Tidde 7", 1),
        (b"Tide 7", b"Tile 7", 1),
        (b"Tide 7", b"", 6),
        (b"", b"noise", 5),
    ],
)
def test_each_lost_added_or_changed_character_is_one(sent: bytes, came: bytes, count: int) -> None:
    """A burst that came as it was sent counts nothing."""
    assert edits(sent, came) == count
