"""Why nothing triggered: told from one forced record that was taken while characters were sent.

The rules are tried in order and the first that fits is the answer:
the scope listens elsewhere - the level lies outside the signal - the source shows no signal while the other
line does - the link works but the scope sees nothing - nothing moves at all.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.scope.setup import TriggerSetup
from service.pipeline.findings import Finding, make_finding
from service.pipeline.reading import read_line
from service.pipeline.readings import LineReading
from service.recording import Taken
from service.shots import channel_label, trace_of
from service.stations import Station


@dataclass(frozen=True)
class Facts:
    """What the forced record, the scope and the link say."""

    asked: TriggerSetup
    source: str
    """As read back."""
    level_v: float
    """As read back."""
    source_line: LineReading
    other_line: LineReading
    other_channel: str
    received: bytes
    """What came back over the link meanwhile."""
    source_role: str = "to_target"


def why_untriggered(station: Station, taken: Taken, asked: TriggerSetup) -> tuple[Finding, ...]:
    """Why `asked` never fired; `taken` is a forced record with characters under way."""
    channels = {probe.channel: role for role, probe in station.probes.items()}
    lines = {
        name: read_line(
            trace_of(taken.capture.channel(name), taken.capture),
            baud=station.baud,
            frame=station.frame,
            logic=station.logic,
        )
        for name in channels
    }
    other = next(name for name in channels if name != asked.source)
    return explain(
        Facts(
            asked=asked,
            source=taken.state.trigger_source,
            level_v=taken.state.trigger_level_v,
            source_line=lines[asked.source],
            other_line=lines[other],
            other_channel=other,
            received=taken.received,
            source_role=channels[asked.source],
        )
    )


def explain(facts: Facts) -> tuple[Finding, ...]:
    """One finding for the first rule that fits."""
    for rule in RULES:
        finding = rule(facts)
        if finding is not None:
            return (finding,)
    return (_unexplained(facts),)


def _listens_elsewhere(facts: Facts) -> Finding | None:
    if facts.source == facts.asked.source:
        return None
    return make_finding(
        "instrument-error",
        facts.source_role,
        f"the trigger was set to {channel_label(facts.asked.source)}, the scope answers that it listens to "
        f"{facts.source!r}.",
        evidence={"asked": facts.asked.source, "read_back": facts.source},
    )


def _level_outside(facts: Facts) -> Finding | None:
    levels = facts.source_line.levels
    if levels is None or levels.low_v < facts.level_v < levels.high_v:
        return None
    return make_finding(
        "trigger-outside-signal",
        facts.source_role,
        f"the trigger level is {facts.level_v:.3g} V (asked: {facts.asked.level_v:.3g} V), the signal on "
        f"{channel_label(facts.asked.source)} moves between {levels.low_v:.3g} V and {levels.high_v:.3g} V.",
        evidence={
            "level_v": facts.level_v,
            "asked_v": facts.asked.level_v,
            "low_v": levels.low_v,
            "high_v": levels.high_v,
        },
    )


def _source_is_quiet(facts: Facts) -> Finding | None:
    if facts.source_line.levels is not None or facts.other_line.levels is None:
        return None
    return make_finding(
        "no-activity",
        facts.source_role,
        f"the trigger listens to {channel_label(facts.asked.source)}, which stays at "
        f"{facts.source_line.flat_v or 0.0:.3g} V, while {channel_label(facts.other_channel)} shows traffic.",
        evidence={"flat_v": facts.source_line.flat_v, "received_hex": facts.received.hex()},
    )


def _scope_sees_nothing(facts: Facts) -> Finding | None:
    if facts.source_line.levels is not None or not facts.received:
        return None
    return make_finding(
        "no-activity",
        None,
        f"the link brought {len(facts.received)} characters back, so the board is alive, but neither channel "
        "shows a signal.",
        remedy="Look at both probes: tips on the lines, clips on the board's ground, the right inputs.",
        evidence={"received_hex": facts.received.hex()},
    )


def _nothing_moves(facts: Facts) -> Finding | None:
    if facts.source_line.levels is not None or facts.other_line.levels is not None:
        return None
    return make_finding(
        "link-silent",
        None,
        "characters were sent, neither line moved and nothing came back.",
        evidence={"flat_v": facts.source_line.flat_v, "other_flat_v": facts.other_line.flat_v},
    )


def _unexplained(facts: Facts) -> Finding:
    levels = facts.source_line.levels
    assert levels is not None  # otherwise _nothing_moves, _source_is_quiet or _scope_sees_nothing had spoken
    return make_finding(
        "instrument-error",
        facts.source_role,
        f"the signal on {channel_label(facts.asked.source)} ({levels.low_v:.3g} to {levels.high_v:.3g} V) "
        f"crosses the trigger level of {facts.level_v:.3g} V, yet the scope did not trigger.",
        remedy="Read the scope's trigger settings: type edge, slope, coupling, hold-off; then its self-test.",
        evidence={"level_v": facts.level_v, "low_v": levels.low_v, "high_v": levels.high_v},
    )


RULES = (_listens_elsewhere, _level_outside, _source_is_quiet, _scope_sees_nothing, _nothing_moves)
