"""Decisions under uncertainty (JCGM 106:2012): a guard band of the expanded uncertainty on either side of a
limit.
"""

from __future__ import annotations

import math

PASS, FAIL, INCONCLUSIVE = "pass", "fail", "inconclusive"
GUARD_BAND, BENCH, RECORD = "guard-band", "bench", "record"
CAUSES = (GUARD_BAND, BENCH, RECORD)


def at_most(value: float, u: float, limit: float) -> str:
    """pass where value + u <= limit, fail where value - u > limit, inconclusive between."""
    if value + u <= limit:
        return PASS
    return FAIL if value - u > limit else INCONCLUSIVE


def at_least(value: float, u: float, limit: float) -> str:
    """pass where value - u >= limit, fail where value + u < limit, inconclusive between."""
    return at_most(-value, u, -limit)


def within(value: float, u: float, low: float | None, high: float | None) -> str:
    """Both sides; a limit of None is no limit."""
    return worst(
        PASS,
        *([] if low is None else [at_least(value, u, low)]),
        *([] if high is None else [at_most(value, u, high)]),
    )


def over(value: float, u: float, limit: float) -> bool:
    """True when the value is above the limit beyond doubt."""
    return at_most(value, u, limit) == FAIL


def worst(*verdicts: str) -> str:
    """fail before inconclusive before pass."""
    return max(verdicts, key=(PASS, INCONCLUSIVE, FAIL).index)


def wrong_fail_risk(beyond_limit: float, u: float) -> float:
    """Risk that a true value exactly at the limit is measured `beyond_limit` past it (JCGM 106 7, normal, k =
    2).
    """
    if u == 0:
        return 0.5 if beyond_limit == 0 else 0.0
    return 0.5 * math.erfc(beyond_limit / (u / 2) / math.sqrt(2))
