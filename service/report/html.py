"""The report: one HTML file that needs nothing else, no script, no font, no picture, no network.

Whatever comes from outside (bytes of a firmware, an instrument's identity, file names) is text here and stays
text: the template escapes everything, control characters become visible marks, and the page forbids itself
scripts and requests by its own content security policy.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from service.pipeline.trace import Shot
from service.report import sentences, tables, words
from service.report.cautions import CAUTIONS, LAST_WORD
from service.report.marks import printable
from service.report.meta import ReportMeta
from service.report.pictures import Picture, pictures

if TYPE_CHECKING:
    from jinja2 import Environment, Template

MOST_ECHO_ROWS = 600


@dataclass(frozen=True)
class EchoTable:
    """Rows that are shown and how many were left out."""

    rows: Sequence[tables.EchoRow]
    left_out: int


def render_report(document: Mapping[str, Any], shots: Sequence[Shot], meta: ReportMeta) -> str:
    """The whole page as text (UTF-8 when written).

    `document` is a result document (contract.md section 3), `shots` what it was judged from, by number; pass
    none and the report has no drawings.
    """
    sent, echoed = tables.sent_and_echoed(document)
    return _template().render(
        policy=content_security_policy(),
        style=resource("report.css"),
        meta=meta,
        shown=printable,
        utc=words.utc_words,
        verdict=tables.verdict(document),
        sentence=tables.verdict_sentence(document),
        sent=words.payload_marks(sent),
        echoed=words.payload_marks(echoed),
        asked=words.payload_marks(meta.sent) if meta.sent is not None else None,
        counts=tables.echo_counts(document),
        latency=tables.latency(document),
        pictures=_marked(pictures(document, shots)),
        criteria=tables.criteria_rows(document),
        findings=tables.finding_rows(document),
        echoes=_echo_table(document),
        measurements=tables.measurement_rows(document),
        lines=tables.line_rows(document),
        unmeasured=sentences.unmeasured(document),
        notes=[*sentences.assumptions(document), *(printable(note) for note in meta.notes)],
        instrument={printable(k): printable(str(v)) for k, v in meta.instrument.items()},
        settings=_settings(meta),
        cautions={"sentences": CAUTIONS, "last_word": LAST_WORD},
        local_rules=[printable(sentence) for sentence in document.get("local_rules", ())],
    )


@cache
def content_security_policy() -> str:
    """What the page may do: apply its one style sheet, by hash. A server that sends a policy of its own with
    the report must allow at least this."""
    digest = base64.b64encode(hashlib.sha256(resource("report.css").encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


@cache
def _template() -> Template:
    return environment().get_template("report.html")


def environment() -> Environment:
    """Finds templates in their folder, escapes everything, complains about a name that it was not given."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    return Environment(
        loader=FunctionLoader(resource),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def resource(name: str) -> str:
    """A file of the folder templates."""
    return resources.files("service.report").joinpath("templates", name).read_text(encoding="utf-8")


def _marked(drawn: Sequence[Picture]) -> list[dict[str, Any]]:
    """The drawings are ours and escaped by their writer: the only markup that the template takes as it is."""
    from markupsafe import Markup

    return [{"caption": picture.caption, "svg": Markup(picture.svg)} for picture in drawn]


def _echo_table(document: Mapping[str, Any]) -> EchoTable:
    """All rows, or, of very many, those that are not as they should be and the first of the others."""
    rows = tables.echo_rows(document)
    if len(rows) <= MOST_ECHO_ROWS:
        return EchoTable(rows, 0)
    worst = sorted(rows, key=lambda r: (r.ok, r.number))[:MOST_ECHO_ROWS]
    return EchoTable(sorted(worst, key=lambda r: r.number), len(rows) - len(worst))


def _settings(meta: ReportMeta) -> dict[str, dict[str, str]]:
    return {
        printable(group): {words.setting_name(k): words.setting_text(k, v) for k, v in settings.items()}
        for group, settings in meta.settings.items()
    }
