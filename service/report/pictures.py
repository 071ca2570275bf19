"""Which drawings a report shows: every shot as a whole, and one character with its echo close up.

The close-up shows the first flawed character (missing, changed, with errors), else the first one, with the
named intervals that people confuse: one bit; start edge to last edge, which is not a whole frame; start edge
to the end of the stop bit, which is; and from there to the start of the echo.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.pipeline.numbers import quantity
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot, Trace
from service.report.exchanges import Exchange, exchanges
from service.report.lanes import Box, Drawing, Lane, Span, described, draw
from service.report.marks import spoken
from service.report.tables import ROLES

MOST_SHOTS = 12
WIDEST_CLOSE_UP_BITS = 44.0
"""A wider view would draw a bit less than 21 px wide: then the character and its echo get a view each."""


@dataclass(frozen=True)
class Picture:
    """One drawing with its caption."""

    caption: str
    svg: str


def pictures(document: Mapping[str, Any], shots: Sequence[Shot]) -> list[Picture]:
    """Overviews in order of the shots (at most MOST_SHOTS, flawed ones first to stay), then the close-up."""
    paired = exchanges(document)
    flawed = {e.shot for e in paired if e.flawed}
    shown = sorted(sorted(range(len(shots)), key=lambda i: (i not in flawed, i))[:MOST_SHOTS])
    drawn = [_overview(document, shots, i, paired) for i in shown]
    focus = min(paired, key=_interest, default=None)
    if focus is not None and focus.shot < len(shots):
        drawn += _close_up(document, shots[focus.shot], focus, paired)
    return drawn


def _interest(exchange: Exchange) -> tuple[bool, bool, int]:
    """Flawed before good, sent before unasked for, early before late."""
    return not exchange.flawed, exchange.sent is None, exchange.number


def _overview(
    document: Mapping[str, Any], shots: Sequence[Shot], index: int, paired: Sequence[Exchange]
) -> Picture:
    shot = shots[index]
    lanes = [_lane(document, shot, role, index, paired) for role in ROLES]
    from_s, to_s = _busy_part(shot, lanes)
    title = "Both lines" + (f", shot {index + 1} of {len(shots)}" if len(shots) > 1 else "")
    caption = f"{title}. {_record_words(shot, from_s, to_s)}"
    if len(shots) > MOST_SHOTS:
        caption += f" {len(shots) - MOST_SHOTS} shots without a flaw are not drawn."
    drawing = Drawing(f"shot-{index + 1}", title, described(lanes), from_s, to_s, lanes)
    return Picture(caption, draw(drawing))


def _busy_part(shot: Shot, lanes: Sequence[Lane]) -> tuple[float, float]:
    """The whole record, or the part with characters when it is less than half of it."""
    start, end = shot.to_target.start_s, max(shot.to_target.end_s, shot.to_target.start_s + 1e-9)
    boxes = [b for lane in lanes for b in lane.boxes]
    if boxes:
        first, last = min(b.start_s for b in boxes), max(b.end_s for b in boxes)
        spare = 0.1 * (last - first)
        if last - first + 2 * spare < 0.5 * (end - start):
            return max(start, first - spare), min(end, last + spare)
    return start, end


def _record_words(shot: Shot, from_s: float, to_s: float) -> str:
    trace = shot.to_target
    words = f"{len(trace)} samples every {quantity(trace.interval_s, 's', digits=4)}, "
    words += quantity(trace.duration_s, "s", digits=4)
    if to_s - from_s < 0.99 * trace.duration_s:
        words += "; the part with characters is shown"
    return words + (". " if shot.triggered else "; nothing triggered, the capture was forced. ")


def _lane(
    document: Mapping[str, Any],
    shot: Shot,
    role: str,
    index: int,
    paired: Sequence[Exchange],
    **extra: Any,
) -> Lane:
    line = document["lines"][role]
    levels = line["levels"]
    trace = _trace_of(shot, role, line["channel"])
    return Lane(
        role=role,
        trace=trace,
        boxes=[
            Box(c["value"], c["start_s"], c["end_s"], flaw) for c, flaw in _told(line, role, index, paired)
        ],
        low_v=levels["low"]["value"] if levels["low"] else None,
        high_v=levels["high"]["value"] if levels["high"] else None,
        trigger_v=shot.trigger_level_v if trace is shot.to_target else None,
        **extra,
    )


def _trace_of(shot: Shot, role: str, channel: str) -> Trace:
    """A document's roles follow the traffic: with exchanged probes its channels are the other way round."""
    by_channel = {t.channel: t for t in (shot.to_target, shot.from_target)}
    by_role = shot.to_target if role == "to_target" else shot.from_target
    return by_channel.get(channel, by_role)


def _told(
    line: Mapping[str, Any], role: str, index: int, paired: Sequence[Exchange]
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Characters of one shot on one line, each with its flaw in words."""
    echo_flaws = {}
    for exchange in paired:
        character = exchange.sent if role == "to_target" else exchange.echoed
        if character is not None and exchange.status != "ok":
            echo_flaws[id(character)] = ECHO_FLAWS.get(exchange.status, exchange.status)
    for character in line["characters"]:
        if character["shot"] == index:
            errors = [ERROR_WORDS.get(e, e) for e in character["errors"]]
            yield character, ", ".join([*errors, *filter(None, [echo_flaws.get(id(character))])])


def _close_up(
    document: Mapping[str, Any], shot: Shot, focus: Exchange, paired: Sequence[Exchange]
) -> list[Picture]:
    bit = (
        document["lines"]["to_target"]["bit_time"] or document["lines"]["from_target"]["bit_time"] or {}
    ).get("value")
    there = [c for c in (focus.sent, focus.echoed) if c is not None]
    if not bit or not there:
        return []
    spans = tuple(_spans(focus, bit))
    first, last = min(c["start_s"] for c in there), max(c["end_s"] for c in there)
    if (last - first) / bit <= WIDEST_CLOSE_UP_BITS:
        return [
            _view(document, shot, focus, paired, spans, (first - 1.5 * bit, last + 2.5 * bit), "exchange")
        ]
    windows = [(c["start_s"] - 2 * bit, c["end_s"] + 14 * bit) for c in there]
    windows[-1] = there[-1]["start_s"] - 8 * bit, there[-1]["end_s"] + 3 * bit
    names = ("sent", "echoed")[: len(there)]
    return [
        _view(document, shot, focus, paired, spans, window, name)
        for window, name in zip(windows, names, strict=True)
    ]


def _view(
    document: Mapping[str, Any],
    shot: Shot,
    focus: Exchange,
    paired: Sequence[Exchange],
    spans: Sequence[Span],
    window: tuple[float, float],
    name: str,
) -> Picture:
    from_s, to_s = window
    seen = tuple(s for s in spans if from_s <= s.from_s <= to_s and s.to_s <= to_s)
    lanes = [
        _lane(
            document,
            shot,
            role,
            focus.shot,
            paired,
            bits=tuple(_bits(document["lines"][role], focus.shot, window)),
            spans=seen if role == "to_target" else (),
        )
        for role in ROLES
    ]
    title = f"Close up of {_focus_words(focus)}" + {"sent": ", as sent", "echoed": ", its echo"}.get(name, "")
    words = "; ".join(s.words for s in spans)
    caption = f"{title}." + (f" {words[:1].upper()}{words[1:]}." if words else "")
    return Picture(caption, draw(Drawing(f"close-up-{name}", title, caption, from_s, to_s, lanes)))


def _focus_words(focus: Exchange) -> str:
    character = focus.sent or focus.echoed or {}
    words = f"no. {focus.number}, {spoken(character['value'])}"
    flaws = [ECHO_FLAWS.get(focus.status, focus.status)] if focus.status != "ok" else []
    for place, told in (("sent", focus.sent), ("echoed", focus.echoed)):
        flaws += [f"{place} with {ERROR_WORDS.get(e, e)}" for e in (told["errors"] if told else ())]
    return words + (f" ({', '.join(flaws)})" if flaws else "")


def _spans(focus: Exchange, bit: float) -> Iterator[Span]:
    """The named intervals, each a row of its own so that none covers another."""
    character = focus.sent
    if character is None:
        return
    start, end = character["start_s"], character["end_s"]
    yield Span(start, start + bit, f"one bit: {_time(bit)}", 0)
    last = character.get("last_edge_s")
    if last is not None and last > start:
        count = round((last - start) / bit)
        bits = f"{count} bit{'s' if count != 1 else ''}"
        yield Span(start, last, f"start edge to last edge: {_time(last - start)} ({bits})", 1)
    if not set(character["errors"]) & {"break", "cut"}:
        bits = f"{(end - start) / bit:.3g} bits, the whole frame"
        yield Span(start, end, f"start edge to end of stop bit: {_time(end - start)} ({bits})", 2)
    if focus.echoed is not None and focus.echoed["start_s"] > end:
        gap = focus.echoed["start_s"] - end
        yield Span(end, focus.echoed["start_s"], f"end of stop bit to start of echo: {_time(gap)}", 3)


def _time(seconds: float) -> str:
    return quantity(seconds, "s", digits=4, fixed=True)


def _frame(line: Mapping[str, Any]) -> FrameFormat | None:
    return FrameFormat.parse(line["frame"]["best"]) if line["frame"]["best"] else None


def _bits(line: Mapping[str, Any], shot: int, window: tuple[float, float]) -> Iterator[tuple[float, str]]:
    """Start, data bits (least significant first), parity and stop with the middle of each, where seen."""
    frame = _frame(line)
    if frame is None or line["bit_time"] is None:
        return
    bit = line["bit_time"]["value"]
    for character in line["characters"]:
        seen = (
            character["shot"] == shot and character["end_s"] > window[0] and character["start_s"] < window[1]
        )
        if seen and not set(character["errors"]) & {"break", "cut"}:
            words = ["start", *(str((character["value"] >> k) & 1) for k in range(frame.data_bits))]
            words += ["parity"] if frame.parity != "N" else []
            for k, word in enumerate([*words, "stop"]):
                width = frame.stop_bits if word == "stop" else 1
                yield character["start_s"] + (k + width / 2) * bit, word


ERROR_WORDS = {
    "framing": "framing error",
    "parity": "parity error",
    "break": "break",
    "cut": "a part outside the record",
}

ECHO_FLAWS = {
    "missing": "not echoed",
    "extra": "nobody sent it",
    "changed": "echoed as another character",
    "moved": "echoed out of order",
}
