"""Rules about noise: how far the signal stands out of it, and what of the reading it may have spoilt."""

from __future__ import annotations

import math
from collections.abc import Iterator

from service.pipeline.echoes import OK, Echo
from service.pipeline.evidence import ROLES, TO_TARGET, Evidence
from service.pipeline.findings import FAIL, WARNING, Finding, make_finding
from service.pipeline.phrases import line_words, many, quantity
from service.pipeline.readings import LineReading

SURE = 4.0
"""Margin of a character's weakest bit, in units of noise, from which it is believed: one in 30,000 bits lies
beyond.
"""


def noisy(evidence: Evidence) -> Iterator[Finding]:
    """Half the swing over the rms noise below the limits, or faults that noise alone may have made."""
    limits = evidence.expectation.limits
    for role in ROLES:
        ratio_db = signal_to_noise_db(evidence, role)
        if ratio_db is None or ratio_db >= limits.noise_warn_db:
            continue
        detail = (
            f"half the swing of the {line_words(role)} is only {ratio_db:.1f} dB above the noise of "
            f"{quantity(evidence.lines[role].noise_v or 0.0, 'V', 2)} rms"
        )
        doubtful = sum(_doubtful(e, role, evidence) for e in evidence.echoes)
        if doubtful:
            detail += f", so that {many(doubtful, 'wrong character')} may be the noise's own"
        grave = ratio_db < limits.noise_min_db or doubtful or hides_signal(evidence, role)
        facts = {"db": ratio_db, "doubtful": doubtful}
        yield make_finding("noisy", role, detail + ".", severity=FAIL if grave else WARNING, evidence=facts)


def _doubtful(echo: Echo, role: str, evidence: Evidence) -> bool:
    """True for a faulty echo whose character on that line was read with too small a margin.

    A character that was not read at all may have been there if others on the line were only just read.
    """
    if echo.status == OK or not echo.judged:
        return False
    reading = evidence.shots[echo.shot].line(role)
    index = echo.sent_index if role == TO_TARGET else echo.echo_index
    margin = _margin(reading, index)
    return margin is not None and margin < SURE


def _margin(reading: LineReading, index: int | None) -> float | None:
    """Weakest bit of a character (of the weakest character when None), None where the signal was clean."""
    confidence = reading.characters.confidence
    if confidence is None or not len(confidence):
        return None
    return float(confidence.min() if index is None else confidence[index])


def hides_signal(evidence: Evidence, role: str) -> bool:
    """True where no two levels were found in noise so large that they may be in it."""
    ratio_db = signal_to_noise_db(evidence, role)
    found = evidence.lines[role].swing_v is not None
    return not found and ratio_db is not None and ratio_db < evidence.expectation.limits.noise_warn_db


def signal_to_noise_db(evidence: Evidence, role: str) -> float | None:
    """Half the swing over the rms noise, dB; None where neither a swing nor a family is known.

    A line on which no two levels were found is held against the swing that its family would have: a signal
    could hide in so much noise.
    """
    line, fam = evidence.lines[role], evidence.family
    swing = line.swing_v or (fam.supply_v if fam else None)
    if not line.noise_v or not swing or swing <= 0:
        return None
    return 20 * math.log10(0.5 * swing / line.noise_v)
