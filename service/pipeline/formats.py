"""Which formats a parse of a line allows, and with what odds.

The odds are Bayes' rule with plain models: data bits are fair coins, so a format that predicts a parity bit
and is right each time gains one bit (a factor of two) a character over the one that calls it data. That alone
would call ASCII text at 8N1 "7S1", because its eighth bit is always 0; a line whose last bit never changes
therefore keeps its odds for "no parity" (half of all texts are like that), and only parity that varies may
win (contract of the result document). Costs are in bits: the probability is 2**-cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import FrameFormat, FrameOdds

CELLS = range(5, 11)
"""Numbers of data and parity bits together."""
STOPS = (1, 1.5, 2)
MIN_VARIED = 4
"""Characters that must obey a parity before it is believed."""
VIOLATION = 10.0
"""Cost of one wrong parity bit."""
REPEAT = 8.0
"""Cost of a sender that repeats one character."""
KEEP = 1e-4
"""Odds below which a format is no longer listed."""

RARITY = {"8N": 0.0, "7E": 2.0, "8E": 2.0, "7O": 3.0, "8O": 3.0, "7N": 3.0, "9N": 6.0, "5N": 6.0, "6N": 7.0}
"""Cost of meeting such a line at all (common practice, no source); any other one costs 8."""
STOP_RARITY = {1: 0.0, 1.5: 6.0, 2: 2.0}


@dataclass(frozen=True)
class ParityFit:
    """How one parity does on the parsed contents."""

    data_bits: int
    parity: str
    wrong: int
    cost: float


def frames_of(cells: int) -> tuple[tuple[int, str], ...]:
    """(data bits, parity) of all formats with so many bits between start and stop."""
    with_parity = tuple((cells - 1, parity) for parity in "EOMS") if cells > 5 else ()
    return (((cells, "N"),) if cells < 10 else ()) + with_parity


def parity_fits(
    contents: NDArray[np.uint16], cells: int, allowed: Sequence[FrameFormat] | None
) -> list[ParityFit]:
    """Every (data bits, parity) of that many bits, with the wrong characters it would have and its cost."""
    wanted = None if allowed is None else {(frame.data_bits, frame.parity) for frame in allowed}
    last = int(((contents >> (cells - 1)) & 1).sum())
    odd = int((np.bitwise_count(contents) & 1).sum())
    data = data_cost(contents, cells)
    return [
        _parity_fit(len(contents), last, odd, data, data_bits, parity)
        for data_bits, parity in frames_of(cells)
        if wanted is None or (data_bits, parity) in wanted
    ]


def data_cost(contents: NDArray[np.uint16], cells: int) -> float:
    """Of all bits but the last: fair coins, but always the same character is a habit that is told once."""
    count = len(contents)
    if count > 1 and (contents == contents[0]).all():
        return min((cells - 1) * count, cells - 1 + REPEAT)
    return (cells - 1) * count


def _parity_fit(count: int, last: int, odd: int, data: float, data_bits: int, parity: str) -> ParityFit:
    """`last` of the `count` contents have their last bit set, `odd` have an odd number of bits set."""
    wrong = {"N": 0, "E": odd, "O": count - odd, "M": count - last, "S": last}[parity]
    # what the last bit costs: nothing where parity tells it, one choice for all where the text is 7-bit
    last_bit = 0 if parity != "N" else min(count, 1 if last == 0 else count)
    rarity = RARITY.get(f"{data_bits}{parity}", 8.0)
    return ParityFit(data_bits, parity, wrong, rarity + VIOLATION * wrong + data + last_bit)


def odds_of(costs: dict[FrameFormat, float]) -> tuple[FrameOdds, ...]:
    """Costs in bits -> surviving formats, most likely first; their odds add up to 1."""
    if not costs:
        return ()
    least = min(costs.values())
    weights = {frame: 2.0 ** (least - cost) for frame, cost in costs.items()}
    total = sum(weights.values())
    kept = [FrameOdds(frame, weight / total) for frame, weight in weights.items() if weight / total >= KEEP]
    return tuple(sorted(kept, key=lambda item: -item.odds))


def best_format(possible: Sequence[FrameOdds], contents: dict[int, NDArray[np.uint16]]) -> FrameFormat:
    """The most constrained format that at least four characters with varying parity bits all obey.

    `contents` holds the parsed characters by their number of data and parity bits. Mark and space parity
    never vary, so they are listed but not chosen while "no parity" fits as well.
    """
    for item in possible:
        if item.frame.parity in "EO" and _obeyed(item.frame, contents.get(item.frame.bits_to_last_data - 1)):
            return item.frame
    plain = [item for item in possible if item.frame.parity == "N"]
    return (plain or list(possible))[0].frame


def _obeyed(frame: FrameFormat, contents: NDArray[np.uint16] | None) -> bool:
    if contents is None or len(contents) < MIN_VARIED:
        return False
    bit = (contents >> frame.data_bits) & 1
    ones = np.bitwise_count(contents) & 1
    return bool((bit != bit[0]).any() and (ones == (frame.parity == "O")).all())
