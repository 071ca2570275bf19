"""How many characters differ between what was sent and what came, whatever was lost or added in between."""

from __future__ import annotations

from collections.abc import Sequence


def edits(sent: Sequence[int], came: Sequence[int]) -> int:
    """The longer length less the longest common subsequence: each lost, added or changed character is one.

    A row of the dynamic programme is one whole number with a bit for each sent character (Hyyrö 2004,
    "Bit-parallel LCS-length computation revisited"), so that thousands of characters take milliseconds.
    """
    places: dict[int, int] = {}
    for bit, value in enumerate(sent):
        places[value] = places.get(value, 0) | 1 << bit
    every = (1 << len(sent)) - 1
    row = every
    for value in came:
        hits = row & places.get(value, 0)
        row = (row + hits | row - hits) & every
    common = len(sent) - row.bit_count()
    return max(len(sent), len(came)) - common
