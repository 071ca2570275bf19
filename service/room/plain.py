"""Words of persons and instruments for a terminal or a plain mail: shown as text, never obeyed."""

from __future__ import annotations

import unicodedata


def one_line(text: str) -> str:
    """On one line, without control characters or marks that turn the direction of writing."""
    return " ".join("".join(c if _shown(c) else " " for c in text).split())


def number_words(name: str) -> str:
    """A number's name for persons: "to_target.probe_factor" is the "probe factor of the to-target line"."""
    line, _, number = name.rpartition(".")
    words = number.replace("_", " ")
    return f"{words} of the {line_words(line)}" if line else words


def line_words(line: str) -> str:
    """ "to_target" is the "to-target line"."""
    return f"{line.replace('_', '-')} line"


def _shown(character: str) -> bool:
    return unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
