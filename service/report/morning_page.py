"""The morning summary as one HTML page: self-contained, no script, fit for print and without colour."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

from service.report.cautions import LAST_WORD
from service.report.html import environment, resource
from service.report.marks import printable
from service.report.morning_text import GLANCE_WORDS, HANDS_ON, after, glance, in_trouble, news, steps_after

if TYPE_CHECKING:
    from jinja2 import Template


def render_morning(document: Mapping[str, Any]) -> str:
    """The page as text (UTF-8 when written). Whatever comes from persons and instruments stays text."""
    troubled = in_trouble(document)
    return _template().render(
        policy=morning_policy(),
        style=resource("morning.css"),
        document=document,
        glance=glance(document),
        words=GLANCE_WORDS,
        troubled=troubled,
        news=news(document),
        steps_after=steps_after,
        after=after(document) if troubled else "",
        shown=printable,
        hands_on=HANDS_ON,
        last_word=LAST_WORD,
    )


@cache
def morning_policy() -> str:
    """What the page may do: apply its one style sheet, by hash."""
    digest = base64.b64encode(hashlib.sha256(resource("morning.css").encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


@cache
def _template() -> Template:
    return environment().get_template("morning.html")
