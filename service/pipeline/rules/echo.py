"""Rules about what came back: missing, extra, changed, moved, late."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.pipeline.decisions import over
from service.pipeline.echoes import CHANGED, EXTRA, MISSING, MOVED, Echo
from service.pipeline.evidence import FROM_TARGET, Evidence
from service.pipeline.findings import Finding, make_finding
from service.pipeline.latencies import judged_latencies, latency_u
from service.pipeline.phrases import character, many, moment, quantity
from service.pipeline.prompts import prompt_of

MOST_PLACES = 20
"""Places that the evidence lists; the result's echoes hold them all."""


def missing(evidence: Evidence) -> Iterator[Finding]:
    """Sent characters for which no echo came while the record went on long enough."""
    yield from _of_status(
        "echo-missing", MISSING, evidence, lambda e: f"{character(e.sent)}{_at(e, evidence)}"
    )


def extra(evidence: Evidence) -> Iterator[Finding]:
    """Characters that nobody had sent."""
    yield from _of_status("echo-extra", EXTRA, evidence, lambda e: f"{character(e.echoed)}{_at(e, evidence)}")


def changed(evidence: Evidence) -> Iterator[Finding]:
    """Characters that came back as others."""
    yield from _of_status(
        "echo-changed", CHANGED, evidence,
        lambda e: f"{character(e.sent)} came back as {character(e.echoed)}{_at(e, evidence)}",
    )  # fmt: skip


def out_of_order(evidence: Evidence) -> Iterator[Finding]:
    """Characters that came back at another place in the sequence."""
    yield from _of_status(
        "echo-out-of-order", MOVED, evidence, lambda e: f"{character(e.sent)}{_at(e, evidence)}"
    )


def late(evidence: Evidence) -> Iterator[Finding]:
    """Echoes that came later than allowed, by more than the uncertainty. A bridge has no latency."""
    limit = evidence.expectation.limits.latency_max_s
    slow = [
        e
        for e in judged_latencies(evidence)
        if (e.stop_end_to_start_s or 0.0) > limit
        and over(e.stop_end_to_start_s or 0.0, latency_u(evidence, e.stop_end_to_start_s or 0.0), limit)
    ]
    if slow:
        worst = max(slow, key=lambda e: e.stop_end_to_start_s or 0.0)
        longest = quantity(worst.stop_end_to_start_s or 0.0, "s")
        detail = (
            f"{many(len(slow), 'echo', 'echoes')} of {len(evidence.echoes)} started more than "
            f"{quantity(limit, 's')} after the end of the stop bit, the latest {longest} after "
            f"{character(worst.sent)}{_at(worst, evidence)}"
        )
        yield make_finding(
            "echo-late",
            FROM_TARGET,
            detail + ".",
            evidence=_places(slow, evidence) | {"latency_max_s": limit},
        )


def boot_loader(evidence: Evidence) -> Iterator[Finding]:
    """The same answer to everything: a boot loader that still waits, or a firmware that does as one."""
    if evidence.bridged:
        return
    said = [int(v) for shot in evidence.shots for v in shot.to_target.characters.values]
    answered = [int(v) for shot in evidence.shots for v in shot.from_target.characters.values]
    prompt = prompt_of(said, answered)
    if prompt is not None:
        told = " ".join(character(value) for value in prompt)
        detail = f"{told} came back to each of {many(len(set(said)), 'different character')}."
        yield make_finding("boot-loader-waiting", FROM_TARGET, detail, evidence={"prompt_hex": prompt.hex()})


def _of_status(code: str, status: str, evidence: Evidence, say: Any) -> Iterator[Finding]:
    found = [e for e in evidence.echoes if e.status == status and e.judged]
    if not found:
        return
    listed = ", ".join(say(e) for e in found[:3]) + (", ..." if len(found) > 3 else "")
    detail = f"{len(found)} of {many(len(evidence.echoes), 'character')}: {listed}."
    yield make_finding(code, FROM_TARGET, detail, evidence=_places(found, evidence))


def _start(echo: Echo, evidence: Evidence) -> float:
    shot = evidence.shots[echo.shot]
    if echo.sent_index is not None:
        return float(shot.to_target.characters.start_s[echo.sent_index])
    assert echo.echo_index is not None
    return float(shot.from_target.characters.start_s[echo.echo_index])


def _at(echo: Echo, evidence: Evidence) -> str:
    in_shot = f" in shot {echo.shot + 1}" if len(evidence.shots) > 1 else ""
    return f" at {moment(_start(echo, evidence))}{in_shot}"


def _places(found: Sequence[Echo], evidence: Evidence) -> dict[str, Any]:
    places = [
        {
            "shot": e.shot,
            "sent_index": e.sent_index,
            "echo_index": e.echo_index,
            "sent": e.sent,
            "echoed": e.echoed,
            "at_s": _start(e, evidence),
            "stop_end_to_start_s": e.stop_end_to_start_s,
        }
        for e in found[:MOST_PLACES]
    ]
    return {"count": len(found), "of": len(evidence.echoes), "places": places}
