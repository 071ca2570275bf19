"""What `echo`, `demo` and `analyze` share: a result document becomes a page or JSON, and an exit code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.cli.say import print_json, say

VERDICT_CODES = {"pass": 0, "fail": 1, "inconclusive": 3}


def show(document: Mapping[str, Any], title: str, facts: Sequence[tuple[str, str]], *, as_json: bool) -> int:
    """The document as JSON, else as a page for people; returns the verdict's exit code."""
    if as_json:
        print_json(document)
    else:
        from service.report.text import text_page

        say(text_page(document, title, facts))
    return VERDICT_CODES[document["verdict"]]
