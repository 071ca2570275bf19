"""The report of a station check: what the station may be used for, what to do, then the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from service.check.kinds import ITEMS
from service.pipeline.numbers import with_uncertainty
from service.report import tables, words
from service.report.cautions import CAUTIONS, LAST_WORD
from service.report.check_text import outcome_words
from service.report.gauge import gauge
from service.report.html import content_security_policy, environment, resource
from service.report.marks import printable
from service.report.meta import ReportMeta
from service.report.words import Status

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

_WORDS = {kind.name: kind.words for kind in ITEMS}
SUBJECTS = {
    "probe/to_target": "probe on the to-target line",
    "probe/from_target": "probe on the from-target line",
    "bridge": "serial link",
}


@dataclass(frozen=True)
class ItemRow:
    """One item as it is shown."""

    name: str
    subject: str
    number: str
    limit: str
    status: Status
    picture: Markup
    because: str


def render_check(document: Mapping[str, Any], meta: ReportMeta) -> str:
    """The whole page as text; `document` as contract.md 3b with the additions of check_document."""
    return _template().render(
        policy=content_security_policy(),
        style=resource("report.css"),
        meta=meta,
        shown=printable,
        utc=words.utc_words,
        kind=document["verdict"],
        outcome=outcome_words(document),
        document=document,
        steps=[document["first_step"], *document.get("next_steps", ())],
        causes=document.get("causes", ()),
        items=[_row(item) for item in document["items"]],
        findings=tables.finding_rows(document),
        instrument={printable(k): printable(str(v)) for k, v in document.get("instrument", {}).items() if v},
        cautions={"sentences": CAUTIONS, "last_word": LAST_WORD},
        local_rules=[printable(sentence) for sentence in document.get("local_rules", ())],
    )


def subject_words(subject: str) -> str:
    """How a person calls the thing that an item speaks of."""
    return SUBJECTS.get(subject, printable(subject.replace("scope/", "scope, ")))


def _row(item: Mapping[str, Any]) -> ItemRow:
    from markupsafe import Markup  # drawn and escaped by our own writer

    limit, unit = item["limit"], item["unit"]
    kind = item["name"].rsplit(".", 1)[-1]
    return ItemRow(
        _WORDS.get(kind, printable(kind)),
        subject_words(item["subject"]),
        with_uncertainty(item["value"], item["u"], unit),
        "none" if limit == {"max": 0.0} else words.limit_words(limit, unit),
        words.status(item["verdict"]),
        Markup(gauge(item)),
        printable(item["because"]),
    )


@cache
def _template() -> Template:
    return environment().get_template("check.html")
