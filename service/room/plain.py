"""Words of persons and instruments for a terminal or a plain mail: shown as text, never obeyed."""

from __future__ import annotations

import unicodedata


def one_line(text: str) -> str:
    """On one line, without control characters or marks that turn the direction of writing."""
    return " ".join("".join(c if _shown(c) else " " for c in text).split())


def _shown(character: str) -> bool:
    return unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
