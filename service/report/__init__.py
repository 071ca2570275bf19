"""The last stage: a result document and its shots as a page for people.

`text.text_page` (terminal) and `render_report` (one self-contained HTML file) read the same document. Nothing
heavy is imported here: the template engine is loaded only when a report is really made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.pipeline.trace import Shot
    from service.report.meta import ReportMeta


def render_report(document: Mapping[str, Any], shots: Sequence[Shot], meta: ReportMeta) -> str:
    """The report as one HTML text; html.render_report says more."""
    from service.report import html

    return html.render_report(document, shots, meta)


def content_security_policy() -> str:
    """What a server must allow a report at least: its one style sheet, by hash."""
    from service.report import html

    return html.content_security_policy()
