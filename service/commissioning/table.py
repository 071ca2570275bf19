"""The table of a commissioning for people: a row for each line, then the exact exchanges of those that do
not simply work."""

from __future__ import annotations

import textwrap
from collections import Counter

from drivers.tape import Exchange
from service.check.cautions import ON_PAPER, TEXTS
from service.commissioning.commission import Commissioned
from service.commissioning.outcome import DIFFERS, FAILS, NOT_TRIED, WORKS, LineResult
from service.report.marks import printable

WIDTH = 118
OWN_CAUTION = (
    "A reset is among the lines, and an input that it leaves at 50 ohm can be damaged by 5 V before the next "
    "line sets 1 megohm: probes at 10x, signals of extra-low voltage only."
)
CAUTIONS = tuple(TEXTS[name] for name in (*ON_PAPER, "rules"))
WITHOUT_SIGNAL = (
    "Nothing from outside was compared: time base, trigger place and probe factor are proved only by a "
    "signal. Put probe 1 on the line on which the PC speaks and name the link (--serial URL --baud N), or "
    "hold both probe tips to the scope's reference terminal (--reference-hz N --reference-v N)."
)


def table(done: Commissioned) -> str:
    """The page, its last line ended."""
    title = f"Commissioning of {done.wishes.resource} with dialect {done.dialect.name}: {done.outcome}"
    lines = [title, "=" * min(len(title), WIDTH)]
    if done.identity is not None:
        who = done.identity
        lines.append(f"{who.maker} {who.model}, serial number {who.serial}, firmware {who.firmware}")
    lines += ["", *_rows(done.lines), "", _summary(done.lines)]
    if done.lost:
        lines += ["", *_wrapped(f"It ended here: {done.lost}")]
    for line in done.lines:
        if line.outcome in (FAILS, DIFFERS):
            lines += ["", *_exchanges(line)]
    if done.wishes.traffic is None and done.wishes.reference is None:
        lines += ["", *_wrapped(WITHOUT_SIGNAL)]
    return "\n".join(map(printable, lines)) + "\n"


def cautions(*, with_reset: bool) -> str:
    """What is said before anything is touched; `with_reset`: the dialect knows one."""
    lines = ["Before a hand goes to the bench:"]
    for caution in (OWN_CAUTION, *CAUTIONS) if with_reset else CAUTIONS:
        lines += textwrap.wrap(caution, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def _rows(results: tuple[LineResult, ...]) -> list[str]:
    name_width = max([len(result.line) for result in results] or [4])
    rows = []
    for result in results:
        lead = (
            f"{result.line:<{name_width}}  {result.outcome:<{len(DIFFERS)}}  {result.seconds * 1e3:8.1f} ms  "
        )
        says = textwrap.wrap(result.says, max(WIDTH - len(lead), 30)) or [""]
        rows.append((lead + says[0]).rstrip())
        rows += [" " * len(lead) + more for more in says[1:]]
    return rows


def _summary(results: tuple[LineResult, ...]) -> str:
    counts = Counter(result.outcome for result in results)
    return ", ".join(f"{counts[word]} {word}" for word in (WORKS, DIFFERS, FAILS, NOT_TRIED) if counts[word])


def _exchanges(result: LineResult) -> list[str]:
    lines = [f"{result.line} ({result.outcome})"]
    for turn in result.exchanges:
        lines += _turn(turn)
    return lines


def _turn(turn: Exchange) -> list[str]:
    lines = [f"    said      {message}" for message in turn.sent]
    if turn.answer is not None:
        lines.append(f"    answered  {turn.answer[:400]}   ({turn.seconds * 1e3:.1f} ms)")
    elif turn.error:
        lines.append(f"    no answer after {turn.seconds * 1e3:.0f} ms")
    return lines


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, WIDTH)
