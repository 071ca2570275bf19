"""A line chart as SVG text: enough for the two plots of the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 760, 460
LEFT, RIGHT, TOP, BOTTOM = 84, 210, 46, 58
COLOURS = ("#1b4f72", "#b03a2e", "#1e8449", "#7d3c98", "#9a7d0a", "#34495e")


@dataclass(frozen=True)
class Curve:
    """Points joined by a line; dashed without marks for a bound, solid with marks for what was measured."""

    name: str
    points: Sequence[tuple[float, float]]
    colour: int
    bound: bool = False


def chart(title: str, x_name: str, y_name: str, curves: Sequence[Curve]) -> str:
    """The chart: x linear, y logarithmic; points with y <= 0 are left out."""
    shown = [(x, y) for curve in curves for x, y in curve.points if y > 0]
    x_low, x_high = min(x for x, _ in shown), max(x for x, _ in shown)
    y_low, y_high = (
        math.floor(math.log10(min(y for _, y in shown))),
        math.ceil(math.log10(max(y for _, y in shown))),
    )
    y_high = max(y_high, y_low + 1)

    def place(x: float, y: float) -> tuple[float, float]:
        across = LEFT + (x - x_low) / (x_high - x_low or 1) * (WIDTH - LEFT - RIGHT)
        down = TOP + (y_high - math.log10(y)) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM)
        return across, down

    parts = [_text(LEFT, 24, title, 15), _text(LEFT, HEIGHT - 14, x_name), _text(8, TOP - 10, y_name)]
    for power in range(y_low, y_high + 1):
        _, down = place(x_low, 10.0**power)
        parts += [_line(LEFT, down, WIDTH - RIGHT, down, "#dddddd"), _text(LEFT - 52, down + 4, f"1e{power}")]
    for step in range(6):
        value = x_low + step * (x_high - x_low) / 5
        across, _ = place(value, 10.0**y_low)
        parts.append(_text(across - 12, HEIGHT - BOTTOM + 18, f"{value:.3g}"))
    for row, curve in enumerate(curves):
        parts += _curve(curve, [place(x, y) for x, y in curve.points if y > 0], TOP + 16 + 18 * row)
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'font-family="sans-serif"><title>{escape(title)}</title>\n'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>\n{body}\n</svg>\n'
    )


def _curve(curve: Curve, points: Sequence[tuple[float, float]], legend: float) -> list[str]:
    colour = COLOURS[curve.colour % len(COLOURS)]
    dash = ' stroke-dasharray="6 4"' if curve.bound else ""
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    parts = [f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"{dash}/>']
    if not curve.bound:
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.2" fill="{colour}"/>' for x, y in points]
    key = WIDTH - RIGHT + 12
    parts.append(f'<line x1="{key}" y1="{legend}" x2="{key + 26}" y2="{legend}" stroke="{colour}"{dash}/>')
    return [*parts, _text(key + 32, legend + 4, curve.name, 12)]


def _line(x1: float, y1: float, x2: float, y2: float, colour: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"/>'


def _text(x: float, y: float, text: str, size: int = 13) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="#222222">{escape(text)}</text>'
