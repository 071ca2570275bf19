"""What a person has put right during a walk stays in the record, as something that is over."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from service.pipeline.findings import INFO, Finding


def settled(first: Sequence[Finding], last: Sequence[Finding]) -> list[Finding]:
    """`last`, and what was found first and is not there any more: an info that it was put right."""
    still = {(f.code, f.line) for f in last}
    over = [_over(f) for f in first if (f.code, f.line) not in still]
    return [*last, *over]


def _over(finding: Finding) -> Finding:
    return dataclasses.replace(
        finding,
        severity=INFO,
        message=f"{finding.message} It was put right during the check.",
        remedy="Nothing to do.",
    )
