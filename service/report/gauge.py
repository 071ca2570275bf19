"""A small picture of one number between its limits: where it lies, how sure that is, where it may lie."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.report.svg import SvgWriter, coordinate

WIDTH, HEIGHT = 180.0, 22.0
MIDDLE = HEIGHT / 2
SPARE = 0.35
"""Of the allowed span, shown beyond a limit; what lies further out sits at the border."""


def gauge(item: Mapping[str, Any]) -> str:
    """SVG of an item of a check document; empty where there is no number or no limit to compare with."""
    value, limit = item["value"], item["limit"]
    if value is None or not limit or (limit.get("max") == 0.0 and "min" not in limit):
        return ""
    low, high = _allowed(limit, value)
    span = (high - low) or 1.0
    start, end = low - SPARE * span * ("min" in limit), high + SPARE * span * ("max" in limit)

    def x(number: float) -> float:
        return 4 + (WIDTH - 8) * min(max((number - start) / (end - start), 0.0), 1.0)

    out = SvgWriter()
    u = item["u"] or 0.0
    words = f"{item['because']}"
    with out.group("svg", class_="gauge", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", aria_label=words):
        out.box(4, MIDDLE - 4, WIDTH - 8, 8, "track")
        out.box(x(low), MIDDLE - 4, max(x(high) - x(low), 0.5), 8, "allowed")
        for name, at in (("min", low), ("max", high)):
            if name in limit:
                out.line(x(at), MIDDLE - 8, x(at), MIDDLE + 8, "edge")
        out.line(x(value - u), MIDDLE, x(value + u), MIDDLE, "whisker")
        off = "" if low <= value <= high else " off"
        out.leaf("circle", cx=coordinate(x(value)), cy=coordinate(MIDDLE), r="4", class_=f"point{off}")
    return str(out)


def _allowed(limit: Mapping[str, float], value: float) -> tuple[float, float]:
    """Both ends; where there is only one, the other is zero, or as far out as the number."""
    if "min" in limit and "max" in limit:
        return limit["min"], limit["max"]
    if "max" in limit:
        return min(0.0, value), limit["max"]
    return limit["min"], max(limit["min"] * 1.2, value)
