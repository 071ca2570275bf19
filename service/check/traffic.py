"""Items of the known traffic: probes, lines, echo and latency, from what the judging side has measured."""

from __future__ import annotations

import math

from service.check.context import Context, Usual
from service.check.instrument import Noticed
from service.check.items import ROLES, CheckItem, make_item
from service.check.seeing import Seen
from service.pipeline.decisions import FAIL
from service.pipeline.echoes import OK
from service.pipeline.edits import edits
from service.pipeline.evidence import ReadShot
from service.pipeline.families import family
from service.pipeline.findings import make_finding
from service.pipeline.measurements import Measurement
from service.pipeline.phrases import line_words, many
from service.pipeline.reading import read_line
from service.pipeline.slow_part import slow_part
from service.pipeline.uncertainty import combined
from service.pipeline.verdict import Judgement
from service.recording import Taken
from service.shots import trace_of
from service.stations import Station

UNSEEN = "no traffic on this line"


def of_lines(station: Station, seen: Seen, judgement: Judgement, context: Context) -> Noticed:
    """Items of each line's probe, by role as the traffic has it."""
    for role in ROLES:
        yield from _swing(station, judgement, role, context)
        yield from _slow(station, seen, judgement, role)
        yield from _overshoot(station, judgement, role)
        yield from _crosstalk(station, judgement, role)
    exchanged = any(f.code == "probes-exchanged" for f in judgement.findings)
    yield make_item("wrong_lines", 2.0 * exchanged, 0.0, "bench", high=0.0)


def of_echo(station: Station, judgement: Judgement, context: Context) -> Noticed:
    """What became of the characters, and how soon."""
    sent = sum(len(shot.sent or b"") for shot in judgement.shots)
    wrong = sum(_not_as_sent(shot) for shot in judgement.shots)
    yield make_item(
        "stimulus_errors", float(wrong), 0.0, "bridge", high=0.0, because=f"of {many(sent, 'character')} sent"
    )
    judged = [echo for echo in judgement.echoes if echo.judged]
    if not judged:
        yield make_item("echo_errors", None, None, "board", high=0.0, because="no echo could be judged")
        return
    bad = sum(echo.status != OK for echo in judged)
    because = f"of {many(len(judged), 'character')}"
    if not bad:
        because += f", so fewer than 1 in {len(judged) / 3:.0f} are lost (95 %)"
    yield make_item("echo_errors", float(bad), 0.0, "board", high=0.0, because=because)
    yield _load(station, judgement)
    yield from _latency(station, judgement, context)


def _swing(station: Station, judgement: Judgement, role: str, context: Context) -> Noticed:
    found = _measured(judgement, f"{role}.swing")
    nominal = family(station.logic).supply_v
    part = station.check_limits.swing_percent / 100
    subject = f"probe/{role}"
    low, high = 1 - part, 1 + part
    if found.value is None or found.u is None:
        yield make_item(f"{role}.probe_factor", None, None, subject, low=low, high=high, because=UNSEEN)
        return
    factor = found.value / nominal
    facts = {"swing_v": found.value, "family_v": nominal}
    item = make_item(
        f"{role}.probe_factor", factor, found.u / nominal, subject, low=low, high=high, evidence=facts
    )
    yield item
    if item.verdict != "pass":
        detail = f"{found.value:.3g} V on the {line_words(role)}, {nominal:g} V is the family's"
        yield make_finding("swing-off", role, detail + ".", evidence=facts)
    usual = context.usual(f"{role}.probe_factor")
    if usual is not None:
        yield from _swing_change(station, role, factor, (found.u_record or 0.0) / nominal, usual)


def _swing_change(station: Station, role: str, factor: float, u: float, usual: Usual) -> Noticed:
    limit = station.check_limits.swing_change_percent
    change = 100 * (factor / usual.centre - 1)
    u_change = 100 / usual.centre * combined(u, 2 * usual.spread / math.sqrt(usual.repeats))
    item = make_item(f"{role}.swing_change", change, u_change, f"probe/{role}", low=-limit, high=limit)
    yield item
    if item.verdict == FAIL:
        detail = f"the swing of the {line_words(role)} by {change:+.3g} %"
        yield make_finding("differs-from-usual", role, detail + ".", evidence={"percent": change})


def _slow(station: Station, seen: Seen, judgement: Judgement, role: str) -> Noticed:
    """The compensation of the probe that hangs on this line, wherever it is plugged in."""
    if seen.slow is None:
        return
    reading = read_line(
        trace_of(seen.slow.capture.channel(_channel(station, seen.slow, judgement, role)), seen.slow.capture),
        baud=station.baud,
        frame=station.frame,
        logic=station.logic,
    )
    found = slow_part(reading)
    limit = station.check_limits.compensation_percent
    name, subject = f"{role}.compensation", f"probe/{role}"
    if found is None:
        yield make_item(name, None, None, subject, low=-limit, high=limit, because=UNSEEN)
        return
    item = make_item(name, found.value, found.u, subject, low=-limit, high=limit)
    yield item
    if item.verdict == FAIL:
        code = "probe-overcompensated" if found.value > 0 else "probe-undercompensated"
        detail = f"steps on the {line_words(role)} begin {found.value:+.2g} % off and settle later"
        yield make_finding(code, role, detail + ".", evidence={"percent": found.value, "u": found.u})


def _overshoot(station: Station, judgement: Judgement, role: str) -> Noticed:
    found = _measured(judgement, f"{role}.overshoot")
    limit, subject = station.check_limits.overshoot_percent, f"probe/{role}"
    if found.value is None:
        yield make_item(f"{role}.overshoot", None, None, subject, high=limit, because=UNSEEN)
        return
    item = make_item(f"{role}.overshoot", found.value, found.u, subject, high=limit)
    yield item
    if item.verdict == FAIL:
        detail = f"by {found.value:.2g} % of the swing on the {line_words(role)}"
        yield make_finding("ringing", role, detail + ".", evidence={"percent": found.value})


def _crosstalk(station: Station, judgement: Judgement, role: str) -> Noticed:
    copies = [f.evidence["percent"] for f in judgement.findings if f.code == "crosstalk" and f.line == role]
    limit = station.check_limits.crosstalk_percent
    because = "" if copies else "no copy stands out of its scatter"
    yield make_item(
        f"{role}.crosstalk", max(copies, default=0.0), 0.0, f"probe/{role}", high=limit, because=because
    )


def _not_as_sent(shot: ReadShot) -> int:
    """Edits between what was sent and what the to-target line carried."""
    return edits(shot.sent or b"", shot.to_target.characters.values.tolist()) if shot.triggered else 0


def _load(station: Station, judgement: Judgement) -> CheckItem:
    """Characters sent over those that would have gone into the same time without a pause, the best shot."""
    limit = station.check_limits.line_load_min_percent
    character_s = station.frame.total_bits / station.baud
    loads = [0.0]
    for shot in judgement.shots:
        line = shot.to_target.characters
        if len(line) > 1:
            loads.append(100 * len(line) * character_s / float(line.end_s[-1] - line.start_s[0]))
    return make_item("line_load", min(max(loads), 100.0), 0.0, "bridge", low=limit)


def _latency(station: Station, judgement: Judgement, context: Context) -> Noticed:
    found = _measured(judgement, "latency_median")
    limit = station.check_limits.latency_max_s
    yield make_item("latency", found.value, found.u, "board", high=limit)
    usual = context.usual("latency")
    if usual is None or found.value is None:
        return
    allowed = max(station.check_limits.latency_change_s, 1 / station.baud)
    change = found.value - usual.centre
    u = combined(found.u or 0.0, 2 * usual.spread / math.sqrt(usual.repeats))
    item = make_item("latency_change", change, u, "board", low=-allowed, high=allowed)
    yield item
    if item.verdict == FAIL:
        detail = f"the echo comes {change * 1e6:+.3g} us from its usual {usual.centre * 1e6:.3g} us"
        yield make_finding("differs-from-usual", "from_target", detail + ".", evidence={"change_s": change})


def _measured(judgement: Judgement, name: str) -> Measurement:
    return next(m for m in judgement.measurements if m.name == name)


def _channel(station: Station, taken: Taken, judgement: Judgement, role: str) -> str:
    """The dialect's name of the channel on which that role's traffic is."""
    label = judgement.lines[role].channel
    names = [record.name for record in taken.capture.channels]
    fallback = station.probes[role].channel
    return next((name for name in names if label in (name, f"ch{name}")), fallback)
