"""Rules about one line: framing, parity, breaks, rate, levels, edges. On the to-target line their side is the
bench.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.pipeline import polarity
from service.pipeline.decisions import FAIL
from service.pipeline.evidence import ROLES, Evidence
from service.pipeline.findings import INFO, Finding, make_finding
from service.pipeline.measurements import Measurement, measured
from service.pipeline.phrases import character, line_words, many, moment, quantity, volts
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY
from service.pipeline.rules import probes

MOST_PLACES = 20


def framing(evidence: Evidence) -> Iterator[Finding]:
    """Framing errors, breaks and parity errors of whole characters."""
    for code, bit, without in FRAME_ERRORS:
        for role in ROLES:
            places = _erring(evidence, role, bit, without)
            if places:
                shot, at = places[0]
                characters = evidence.shots[shot].line(role).characters
                detail = (
                    f"{many(len(places), 'character')} on the {line_words(role)}, the first at "
                    f"{moment(float(characters.start_s[at]))} "
                    f"({character(int(characters.values[at]))})"
                )
                listed = [
                    {"shot": s, "index": i, "at_s": float(evidence.shots[s].line(role).characters.start_s[i])}
                    for s, i in places[:MOST_PLACES]
                ]
                facts = {"count": len(places), "places": listed}
                yield make_finding(code, role, detail + ".", evidence=facts)


def _erring(evidence: Evidence, role: str, bit: int, without: int) -> list[tuple[int, int]]:
    return [
        (number, int(at))
        for number, reading in evidence.readings(role)
        for at in np.flatnonzero(
            ((reading.characters.errors & bit) != 0) & ((reading.characters.errors & without) == 0)
        )
    ]


def inverted(evidence: Evidence) -> Iterator[Finding]:
    """A line that rests at the start level of its family."""
    for role in ROLES:
        if polarity.inverted(evidence, role):
            line = evidence.lines[role]
            level = line.high_v if line.idle_high else line.low_v
            name = evidence.family.name if evidence.family else ""
            idle = "high" if line.idle_high else "low"
            detail = f"the {line_words(role)} rests {idle}" + (
                f", at {volts(level)}" if level is not None else ""
            )
            yield make_finding(
                "line-inverted",
                role,
                severity=INFO if polarity.both_inverted(evidence) else FAIL,
                detail=f"{detail}; a line of family {name} rests {'low' if line.idle_high else 'high'}.",
                evidence={"idle": idle, "level_v": level, "family": name},
            )


def rate_off(evidence: Evidence) -> Iterator[Finding]:
    """The rate is off by more than the limit and the uncertainty together."""
    for role in ROLES:
        m = measured(evidence, f"{role}.rate_deviation")
        if m.verdict == FAIL and m.value is not None and m.u is not None:
            own = evidence.lines[role].baud
            against = "nominal" if evidence.expectation.baud is not None else "the to-target line"
            detail = (
                f"the {line_words(role)} runs at {own.value:.6g} Bd, {m.value:+.3g} +- {m.u:.2g} % from "
                f"{against}; "
                if own else ""
            ) + f"allowed are +-{evidence.expectation.limits.rate_percent:g} %"  # fmt: skip
            yield make_finding("rate-off", role, detail + ".", evidence=_numbers(m))


def level_out_of_limits(evidence: Evidence) -> Iterator[Finding]:
    """A level outside its limits, where neither probe nor zero nor range explains it."""
    for role in ROLES:
        if probes.levels_spoiled(evidence, role):
            continue
        for state in ("low", "high"):
            m = measured(evidence, f"{role}.{state}_level")
            if m.verdict == FAIL and m.value is not None and m.u is not None:
                detail = (
                    f"{state} level of the {line_words(role)} is {volts(m.value)} "
                    f"+- {quantity(m.u, 'V', 2)}, allowed is {_range_words(m)}"
                )
                yield make_finding("level-out-of-limits", role, detail + ".", evidence=_numbers(m))


def slow_edge(evidence: Evidence) -> Iterator[Finding]:
    """Rise or fall time above its part of a bit."""
    for role in ROLES:
        for kind in ("rise", "fall"):
            m = measured(evidence, f"{role}.{kind}_time")
            if m.verdict == FAIL and m.value is not None:
                detail = (
                    f"{kind} time of the {line_words(role)} is {quantity(m.value, 's')}, "
                    f"allowed are {quantity(m.limit['max'], 's')}"
                )
                yield make_finding("slow-edge", role, detail + ".", evidence=_numbers(m))


def _range_words(m: Measurement) -> str:
    low, high = m.limit.get("min"), m.limit.get("max")
    parts = [] if low is None else [f"at least {low:.3g} V"]
    parts += [] if high is None else [f"at most {high:.3g} V"]
    return " and ".join(parts)


def _numbers(m: Measurement) -> dict[str, object]:
    return {"measurement": m.name, "value": m.value, "u": m.u, "unit": m.unit, "limit": dict(m.limit)}


FRAME_ERRORS = (
    # code, its bit, bits that make it something else
    ("framing-error", FRAMING, BREAK | CUT),
    ("break", BREAK, CUT),
    ("parity-error", PARITY, FRAMING | BREAK | CUT),
)
