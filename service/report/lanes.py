"""Both lines of one shot as a drawing: two lanes with their names in words, decoded characters over each.

A drawing is laid out from top to bottom, and each lane the same way: boxes of characters, (bits,) ticks at
the edges, the trace, (named intervals). Colours are classes of the style sheet; nothing relies on them alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from service.pipeline.numbers import quantity
from service.pipeline.trace import Trace
from service.report.axis import time_axis
from service.report.envelope import View, crossings, outline, volt_span
from service.report.marks import short_name, spoken
from service.report.svg import SvgWriter, coordinate

WIDTH, LEFT, RIGHT = 1080.0, 118.0, 14.0
BOX, BITS, TICKS, WAVE, SPAN, GAP, AXIS = 24.0, 15.0, 8.0, 84.0, 21.0, 20.0, 43.0
COLUMNS = 900
NARROW = 5.0
"""Narrower boxes are drawn without their rims, which would run together."""
LEAST_SPAN_V = 1.0
"""A flat line is drawn flat, not as mountains of noise."""
MOST_TICKS = 500
MOST_SAMPLES_FOR_TICKS = 2_000_000


@dataclass(frozen=True)
class Box:
    """One decoded character over its lane; `flaw` says in words what is wrong with it."""

    value: int | None
    start_s: float
    end_s: float
    flaw: str = ""


@dataclass(frozen=True)
class Span:
    """A named interval under a lane: from, to, and what is written beside it. `row` counts from the top."""

    from_s: float
    to_s: float
    words: str
    row: int = 0


@dataclass(frozen=True)
class Lane:
    """One line of the drawing."""

    role: str
    """`to_target` or `from_target`."""
    trace: Trace
    boxes: Sequence[Box] = ()
    low_v: float | None = None
    high_v: float | None = None
    trigger_v: float | None = None
    bits: Sequence[tuple[float, str]] = ()
    """(time of the middle, "start", "0", "1", "stop", ...)."""
    spans: Sequence[Span] = ()


@dataclass(frozen=True)
class Drawing:
    """What is to be drawn; `name` makes the ids of title and description unique on the page."""

    name: str
    title: str
    description: str
    from_s: float
    to_s: float
    lanes: Sequence[Lane] = field(default_factory=tuple)


def draw(drawing: Drawing) -> str:
    """The drawing as one SVG element."""
    heights = [_lane_height(lane) for lane in drawing.lanes]
    height = 6 + sum(heights) + GAP * (len(heights) - 1) + AXIS
    view = View(drawing.from_s, drawing.to_s, LEFT, WIDTH - LEFT - RIGHT)
    svg = SvgWriter()
    ids = f"{drawing.name}-title", f"{drawing.name}-desc"
    with svg.group(
        "svg",
        viewBox=f"0 0 {WIDTH:g} {coordinate(height)}",
        role="img",
        aria_labelledby=" ".join(ids),
        class_="lanes",
    ):
        svg.leaf("title", drawing.title, id=ids[0])
        svg.leaf("desc", drawing.description, id=ids[1])
        _draw_axis(svg, view, 6, height - AXIS)
        top = 6.0
        for lane, tall in zip(drawing.lanes, heights, strict=True):
            _draw_lane(svg, lane, view, top, f"{drawing.name}-{lane.role}")
            top += tall + GAP
    return str(svg)


def _lane_height(lane: Lane) -> float:
    rows = 1 + max((s.row for s in lane.spans), default=-1)
    return BOX + (BITS if lane.bits else 0) + TICKS + WAVE + rows * SPAN


def _draw_lane(svg: SvgWriter, lane: Lane, view: View, top: float, name: str) -> None:
    wave_top = top + BOX + (BITS if lane.bits else 0) + TICKS
    scale = _Scale.of(lane, wave_top + 5, wave_top + WAVE - 5)
    with svg.group(class_=lane.role.replace("_", "-")):
        svg.box(LEFT, wave_top, view.width, WAVE, "sheet")
        _draw_name(svg, lane, top)
        _draw_levels(svg, lane, scale)
        _draw_boxes(svg, lane.boxes, view, top)
        for middle_s, text in lane.bits:
            if view.holds(middle_s):
                svg.text(view.x(middle_s), top + BOX + 11, text, "bit", "middle")
        _draw_spans(svg, lane.spans, view, top, wave_top)
        _draw_wave(svg, lane, view, scale, name)
        _draw_ticks(svg, lane, view, wave_top)


@dataclass(frozen=True)
class _Scale:
    """Volts to pixels."""

    low_v: float
    high_v: float
    top: float
    bottom: float

    @classmethod
    def of(cls, lane: Lane, top: float, bottom: float) -> _Scale:
        known = [v for v in (lane.low_v, lane.high_v, lane.trigger_v) if v is not None]
        low, high = volt_span(lane.trace)
        low, high = min([low, *known]), max([high, *known])
        spare = max(0.5 * (LEAST_SPAN_V - (high - low)), 0.0)
        return cls(low - spare, high + spare, top, bottom)

    def y(self, volts: float) -> float:
        return self.bottom - (volts - self.low_v) / (self.high_v - self.low_v) * (self.bottom - self.top)


def _draw_name(svg: SvgWriter, lane: Lane, top: float) -> None:
    svg.text(0, top + 16, lane.role.replace("_", " "), "lane-name")
    svg.text(0, top + 31, lane.trace.channel, "soft")


def _draw_levels(svg: SvgWriter, lane: Lane, scale: _Scale) -> None:
    """Both levels as fine lines with their volts at the left, and the trigger level where it is known.

    A line without two levels has the middle of what was seen.
    """
    levels = (lane.low_v, lane.high_v)
    if levels == (None, None) and len(lane.trace):
        levels = (sum(volt_span(lane.trace)) / 2, None)
    for volts in levels:
        if volts is not None:
            y = scale.y(volts)
            svg.line(LEFT, y, WIDTH - RIGHT, y, "level")
            svg.text(LEFT - 7, y + 4, f"{volts:.2f} V", "volts", "end")
    if lane.trigger_v is not None:
        y = scale.y(lane.trigger_v)
        svg.line(LEFT - 5, y, WIDTH - RIGHT, y, "trigger")
        svg.text(LEFT - 7, y + 4, f"trigger {lane.trigger_v:.2f} V", "volts", "end")


def _draw_boxes(svg: SvgWriter, boxes: Sequence[Box], view: View, top: float) -> None:
    """Characters as boxed spans; the letters only where they fit, the words always as a title."""
    for box in boxes:
        left, right = view.x(max(box.start_s, view.from_s)), view.x(min(box.end_s, view.to_s))
        if right <= left or (right - left < 4 and not _whole_in(view, box)):
            continue
        title = f"{spoken(box.value)}, starts at {quantity(box.start_s, 's')}"
        title += f": {box.flaw}" if box.flaw else ""
        kind = ("flaw " if box.flaw else "") + ("narrow " if right - left < NARROW else "") + "box"
        svg.box(
            left,
            top + 2,
            max(right - left - (0.6 if right - left < NARROW else 0), 0.8),
            BOX - 4,
            kind,
            title,
        )
        letters = short_name(box.value) + ("!" if box.flaw else "")
        if right - left >= 6 + 7 * len(letters):
            svg.text((left + right) / 2, top + 16.5, letters, "letters", "middle")
        elif box.flaw:
            svg.text((left + right) / 2, top + 16.5, "!", "letters", "middle")


def _whole_in(view: View, box: Box) -> bool:
    """Whether the whole box lies in the view: of a cut one a sliver says nothing."""
    return view.holds(box.start_s) and view.holds(box.end_s)


def _draw_wave(svg: SvgWriter, lane: Lane, view: View, scale: _Scale, name: str) -> None:
    """The outline as one closed path, cut to the sheet."""
    seen = outline(lane.trace, view, COLUMNS)
    if len(seen.times_s) == 0:
        return
    points = [
        (view.x(t), scale.y(v)) for t, v in zip(seen.times_s.tolist(), seen.high_v.tolist(), strict=True)
    ]
    if seen.low_v is not seen.high_v:
        back = zip(reversed(seen.times_s.tolist()), reversed(seen.low_v.tolist()), strict=True)
        points += [(view.x(t), scale.y(v)) for t, v in back]
    with svg.group("clipPath", id=f"{name}-clip"):
        svg.box(LEFT, 0, view.width, 4000, "")
    style = "wave filled" if seen.low_v is not seen.high_v else "wave"
    svg.leaf("path", d=_path(points), class_=style, clip_path=f"url(#{name}-clip)")


def _path(points: list[tuple[float, float]]) -> str:
    """Points on a level line between two others are left out: most of a trace is level."""
    kept: list[tuple[str, str]] = []
    for x, y in points:
        place = coordinate(x), coordinate(y)
        if len(kept) >= 2 and kept[-1][1] == place[1] == kept[-2][1]:
            kept[-1] = place
        elif not kept or kept[-1] != place:
            kept.append(place)
    return "M" + "L".join(f"{x} {y}" for x, y in kept)


def _draw_ticks(svg: SvgWriter, lane: Lane, view: View, wave_top: float) -> None:
    """Small ticks over the trace at its edges, where they are few enough to be told apart."""
    if lane.low_v is None or lane.high_v is None or len(lane.trace) > MOST_SAMPLES_FOR_TICKS:
        return
    middle, swing = (lane.low_v + lane.high_v) / 2, lane.high_v - lane.low_v
    times = crossings(lane.trace, view, middle, 0.1 * swing)
    if len(times) > MOST_TICKS:
        return
    marks = "".join(f"M{coordinate(view.x(t))} {coordinate(wave_top - 6)}v5" for t in times if view.holds(t))
    svg.leaf("path", d=marks or "M0 0", class_="ticks")


def _draw_spans(svg: SvgWriter, spans: Sequence[Span], view: View, top: float, wave_top: float) -> None:
    for span in spans:
        y = wave_top + WAVE + 13 + span.row * SPAN
        left, right = view.x(span.from_s), view.x(span.to_s)
        with svg.group(class_="span"):
            for x in (left, right):
                svg.line(x, top + BOX, x, y + 5, "span-guide")
            svg.line(left, y, right, y, "span-line")
            svg.leaf("path", d=_arrow_ends(left, right, y), class_="span-line")
            length = 7.0 * len(span.words)
            at, anchor = _beside(left, right, length)
            if anchor == "middle":
                svg.box(at - length / 2 - 4, y - 8, length + 8, 16, "span-back")
            svg.text(at, y + 4, span.words, "span-words", anchor)


def _beside(left: float, right: float, length: float) -> tuple[float, str]:
    """Words stand on their line where they fit, else to the right of it, else to the left."""
    if right - left > length + 24:
        return (left + right) / 2, "middle"
    return (right + 8, "start") if right + 8 + length < WIDTH else (left - 8, "end")


def _arrow_ends(left: float, right: float, y: float) -> str:
    return "".join(f"M{coordinate(x)} {coordinate(y - 4)}v8" for x in (left, right))


def _draw_axis(svg: SvgWriter, view: View, top: float, bottom: float) -> None:
    axis = time_axis(view.from_s, view.to_s)
    with svg.group(class_="axis"):
        for time_s, label in axis.ticks:
            x = view.x(time_s)
            svg.line(x, top, x, bottom + 10, "grid")
            svg.text(x, bottom + 24, label, "time", "middle")
        svg.text(0, bottom + 24, f"time in {axis.unit}", "soft")
        svg.text(0, bottom + 39, "0 = trigger", "soft")
        if view.holds(0):
            svg.line(view.x(0), top, view.x(0), bottom + 12, "zero")


def described(lanes: Sequence[Lane]) -> str:
    """What a person who cannot see the drawing needs to hear; the tables say the rest."""
    return " ".join(_lane_in_words(lane) for lane in lanes)


def _lane_in_words(lane: Lane) -> str:
    count = len(lane.boxes)
    name = f"The line {lane.role.replace('_', ' ')} ({lane.trace.channel})"
    if count == 0:
        return f"{name} carries no character."
    some = ", ".join(spoken(b.value) for b in lane.boxes[:12]) + (", and so on" if count > 12 else "")
    flaws = sum(bool(b.flaw) for b in lane.boxes)
    return f"{name} carries {count} characters: {some}." + (f" {flaws} of them are flawed." if flaws else "")
