"""A result document as one page for a terminal. Plain text: nothing but the standard library is needed."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.report import sentences, tables
from service.report.marks import printable
from service.report.words import payload_marks

WIDTH = 100
LEAST_CELL = 24
MOST_FLAWED_ECHOES = 12


def text_page(
    document: Mapping[str, Any], title: str, facts: Sequence[tuple[str, str]] = (), *, width: int = WIDTH
) -> str:
    """The page with its last line ended; `facts` are (name, value) lines under the verdict."""
    page = _Page(width)
    verdict = tables.verdict(document)
    page.heading(f"{printable(title)}: {verdict.word.upper()}")
    page.paragraph(tables.verdict_sentence(document))
    page.gap()
    page.pairs([*_said(document), *facts])
    _criteria(page, document)
    _findings(page, document)
    _lines(page, document)
    _flawed_echoes(page, document)
    return page.text()


class _Page:
    """Lines that are wrapped to the width with a hanging indent."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._lines: list[str] = []

    def text(self) -> str:
        return "\n".join(self._lines) + "\n"

    def heading(self, words: str) -> None:
        self._lines += [words, "=" * min(len(words), self._width)]

    def gap(self) -> None:
        self._lines.append("")

    def title(self, words: str) -> None:
        self._lines += ["", words]

    def paragraph(self, words: str, indent: int = 0) -> None:
        pad = " " * indent
        self._lines += _wrapped(words, self._width, pad)

    def pairs(self, rows: Sequence[tuple[str, str]], least: int = 14) -> None:
        """Names in a column, values beside them."""
        self.columns([list(row) for row in rows], least)

    def columns(self, rows: Sequence[Sequence[str]], least: int = 0) -> None:
        """The first column is as wide as its widest cell; the others share what is left, and are wrapped."""
        if not rows:
            return
        widths = [max([least if i == 0 else 0, *(len(r[i]) for r in rows)]) for i in range(len(rows[0]))]
        widths = _shared(widths, self._width - 2 * len(widths))
        for row in rows:
            cells = [_wrapped(cell, width) or [""] for cell, width in zip(row, widths, strict=True)]
            for at in range(max(map(len, cells))):
                parts = (cell[at] if at < len(cell) else "" for cell in cells)
                line = "".join(f"  {part:<{width}}" for part, width in zip(parts, widths, strict=True))
                self._lines.append(line.rstrip())


def _shared(wanted: Sequence[int], room: int) -> list[int]:
    """Widths of columns: as wanted where they fit, else the widest ones give way; never under LEAST_CELL."""
    widths = list(wanted)
    while sum(widths) > room and max(widths[1:], default=0) > LEAST_CELL:
        widest = max(range(1, len(widths)), key=lambda i: widths[i])
        widths[widest] -= 1
    return widths


def _said(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    sent, echoed = tables.sent_and_echoed(document)
    for role, values in (("to target", sent), ("from target", echoed)):
        words = payload_marks(values, 48) or "nothing"
        yield role, f"{words}   ({_count(len(values), 'character')})"
    counts = tables.echo_counts(document)
    yield "echoes", ", ".join(f"{n} {printable(s)}" for s, n in counts.items()) or "none"
    yield "echo latency", f"{tables.latency(document)}, end of stop bit to start of echo"


def _criteria(page: _Page, document: Mapping[str, Any]) -> None:
    page.title("Criteria")
    page.columns(
        [
            [
                f"[{row.status.word}]",
                row.name + ("" if row.required else " (not required)"),
                row.because + (f" ({row.cause})" if row.cause else ""),
            ]
            for row in tables.criteria_rows(document)
        ]
    )


def _findings(page: _Page, document: Mapping[str, Any]) -> None:
    page.title("Findings")
    rows = tables.finding_rows(document)
    if not rows:
        page.paragraph("none", 2)
    for row in rows:
        where = f", line {row.line}" if row.line else ""
        page.paragraph(f"[{row.severity}] {row.code} (side: {row.side}{where}): {row.message}", 2)
        if row.remedy:
            page.paragraph(f"What to do: {row.remedy}", 6)


def _lines(page: _Page, document: Mapping[str, Any]) -> None:
    page.title("Lines (± is the expanded uncertainty, k = 2, the instrument's accuracy included)")
    rows = [["", "to target", "from target"]]
    rows += [[row.name, row.to_target, row.from_target] for row in tables.line_rows(document, brief=True)]
    page.columns(rows)
    for sentence in (*sentences.unmeasured(document), *sentences.assumptions(document)):
        page.paragraph(sentence, 2)


def _flawed_echoes(page: _Page, document: Mapping[str, Any]) -> None:
    rows = [row for row in tables.echo_rows(document) if not row.ok]
    if not rows:
        return
    page.title("Echoes that are not as they should be")
    page.columns(
        [
            [f"no. {r.number}", f"sent {r.sent}", f"echoed {r.echoed}", r.status]
            for r in rows[:MOST_FLAWED_ECHOES]
        ]
    )
    if len(rows) > MOST_FLAWED_ECHOES:
        page.paragraph(f"and {len(rows) - MOST_FLAWED_ECHOES} more, see the report", 2)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _wrapped(words: str, width: int, pad: str = "") -> list[str]:
    """Names of files stay whole, so that they can be copied."""
    return textwrap.wrap(
        words,
        width,
        initial_indent=pad,
        subsequent_indent=pad,
        break_long_words=False,
        break_on_hyphens=False,
    )
