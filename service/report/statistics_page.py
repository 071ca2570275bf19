"""The lab's statistics as one HTML page: self-contained, no script, fit for print and without colour."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

from service.report.html import content_security_policy, environment, resource
from service.report.marks import printable
from service.report.meta import ReportMeta
from service.report.statistics_text import EXPLAINED, sections, title_of
from service.report.svg import SvgWriter, coordinate
from service.room.statistics import short

if TYPE_CHECKING:
    from jinja2 import Template

LEAST, MOST = 0.001, 1000.0
"""Ends of the drawn scale, failures in 1,000 h: one in a century, and one an hour."""
WIDTH, HEIGHT = 260.0, 22.0
MIDDLE = HEIGHT / 2


def render_statistics(document: Mapping[str, Any]) -> str:
    """The page as text (UTF-8 when written)."""
    from markupsafe import Markup

    (failures, counted), *others = sections(document)
    pictures = [Markup(picture(row["per_1000_h"])) for row in document["failures"]]  # escaped by its writer
    return _template().render(
        policy=content_security_policy(),
        style=resource("report.css"),
        meta=ReportMeta(title=title_of(document)),
        shown=printable,
        failures=failures,
        failure_rows=[(*row, drawn) for row, drawn in zip(counted, pictures or [Markup()], strict=True)],
        others=others,
        left_out=document["left_out"],
        explained=EXPLAINED,
    )


def picture(rate: Mapping[str, float | None] | None) -> str:
    """The range of a rate on a scale of powers of ten: the fewer the cases, the longer the bar."""
    if rate is None or rate["high"] is None:
        return ""
    low, high = rate["low"] or 0.0, rate["high"]
    out = SvgWriter()
    label = f"from {short(low)} to {short(high)} in 1,000 hours"
    with out.group("svg", class_="gauge", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", aria_label=label):
        out.box(4, MIDDLE - 4, WIDTH - 8, 8, "track")
        for power in range(round(math.log10(LEAST)), round(math.log10(MOST)) + 1):
            out.line(_x(10.0**power), MIDDLE - 6, _x(10.0**power), MIDDLE + 6, "edge")
        out.line(_x(low), MIDDLE, _x(high), MIDDLE, "range")
        if low:
            out.leaf(
                "circle",
                cx=coordinate(_x(rate["value"] or low)),
                cy=coordinate(MIDDLE),
                r="4",
                class_="point",
            )
    return str(out)


def _x(rate: float) -> float:
    at = math.log10(min(max(rate, LEAST), MOST) / LEAST) / math.log10(MOST / LEAST)
    return 4 + (WIDTH - 8) * at


@cache
def _template() -> Template:
    return environment().get_template("statistics.html")
