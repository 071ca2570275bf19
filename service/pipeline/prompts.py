"""Answers that do not depend on what was said: a boot loader that still waits says its prompt to everything.

A firmware that does the same looks the same on the lines, so this is a hint and blames nobody by itself.
"""

from __future__ import annotations

from collections.abc import Sequence

FEWEST_VALUES, FEWEST_ANSWERS = 4, 4
"""So many different characters must have been said, and so many answered, before "whatever" means a thing."""
LONGEST_PROMPT = 8
ALIKE = 0.9
"""Share of the answers that must repeat; the rest may be cut, or a greeting before the first prompt."""


def prompt_of(said: Sequence[int], answered: Sequence[int]) -> bytes | None:
    """The characters that are answered again and again whatever was said; None where answers follow what was
    said, or too little was said to tell.
    """
    if len(set(said)) < FEWEST_VALUES or len(answered) < FEWEST_ANSWERS:
        return None
    for length in range(1, min(LONGEST_PROMPT, len(answered) // 3) + 1):
        pairs = list(zip(answered, answered[length:], strict=False))
        if sum(a == b for a, b in pairs) >= ALIKE * len(pairs) and not _repeats(said, length):
            return bytes(value & 0xFF for value in answered[-length:])
    return None


def _repeats(said: Sequence[int], length: int) -> bool:
    """Whether what was said repeats by itself, so that a right echo would repeat as well."""
    pairs = list(zip(said, said[length:], strict=False))
    return not pairs or sum(a == b for a, b in pairs) >= ALIKE / 2 * len(pairs)
