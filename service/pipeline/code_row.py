"""What one row of the table of finding codes says, and the words that its columns may have."""

from __future__ import annotations

from dataclasses import dataclass

DEVICE, BENCH = "device", "bench"
INFO, WARNING, FAIL = "info", "warning", "fail"
SEVERITIES = (INFO, WARNING, FAIL)
"""In rising order."""


@dataclass(frozen=True)
class Code:
    """One row of CODES. `severity` is the usual one; a rule may state a milder or a graver one."""

    code: str
    side: str
    severity: str
    words: str
    remedy: str
    bench_on_to_target: bool = False
    """On the to-target line the PC or the wiring is to blame, not the firmware."""
    criterion: str | None = None
    """What a device finding of this code fails: where that is not judged, nor is the finding raised."""
