"""Findings: what was noticed, on whose side it lies, in which words, and what to do.

A finding is only made through the table CODES of codes.py, so that code, side, words and remedy stand in one
place; rules (service/pipeline/rules) and other modules supply the line, the numbers and the details.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.pipeline.codes import (
    BENCH,
    CODES,
    DEVICE,
    FAIL,
    INFO,
    SEVERITIES,
    TO_TARGET_REMEDY,
    WARNING,
    Code,
)  # fmt: skip

__all__ = ["BENCH", "CODES", "DEVICE", "FAIL", "INFO", "SEVERITIES", "WARNING", "Code", "Finding"]


@dataclass(frozen=True)
class Finding:
    """One thing that was noticed. `line` is a role or None (both lines, or the bench as a whole)."""

    code: str
    side: str
    severity: str
    line: str | None
    message: str
    remedy: str
    evidence: Mapping[str, Any] = field(default_factory=dict)


class NoSuchCode(KeyError):
    """A finding was asked for under a code that CODES does not have."""


def code_row(code: str) -> Code:
    """The row of that code; NoSuchCode otherwise."""
    if code not in _BY_CODE:
        raise NoSuchCode(f"no finding code {code!r} in CODES")
    return _BY_CODE[code]


def make_finding(
    code: str,
    line: str | None = None,
    detail: str = "",
    *,
    severity: str | None = None,
    evidence: Mapping[str, Any] | None = None,
    remedy: str | None = None,
) -> Finding:
    """A finding of that code; `detail` (one sentence with numbers) is put behind the code's own words."""
    row = code_row(code)
    chosen = severity or row.severity
    if chosen not in SEVERITIES:
        raise ValueError(f"severity must be one of {SEVERITIES}, was {chosen!r}")
    side = BENCH if row.bench_on_to_target and line == "to_target" else row.side
    words = f"{row.words}: {detail}" if detail else f"{row.words}."
    return Finding(code, side, chosen, line, words, remedy or _remedy(row, line), dict(evidence or {}))


def _remedy(row: Code, line: str | None) -> str:
    if row.bench_on_to_target and line == "to_target":
        return f"This is the line on which the PC speaks: {TO_TARGET_REMEDY}"
    return row.remedy


_BY_CODE = {row.code: row for row in CODES}
