"""Tables of the README that stand in the code already: `python -m tests.readme_tables` writes them anew."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from service.access.roles import ABOUT, RIGHTS, ROLES
from service.check.items import ITEMS
from service.check.limits import CHECK_LIMITS
from service.pipeline.findings import CODES
from service.pipeline.limits import LIMITS
from service.plans import PLANS
from service.settings import SETTINGS

README = Path(__file__).resolve().parent.parent / "README.md"


def table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A Markdown table; bars inside cells are escaped."""
    head = list(head)
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(str(c).replace("|", "\\|") for c in row) + " |" for row in rows]
    return "\n".join(lines)


def findings() -> str:
    """Every code of CODES."""
    return table(
        ("code", "side", "usual severity", "it means", "what to do first"),
        (
            (f"`{c.code}`", c.side + (" *" if c.bench_on_to_target else ""), c.severity, c.words, c.remedy)
            for c in CODES
        ),
    )


def limits() -> str:
    """Every limit with its reason and source."""
    return table(
        ("limit", "default", "why", "source"),
        ((f"`{r.name}`", _value(r.default, r.unit), r.reason, r.source) for r in LIMITS),
    )


def settings() -> str:
    """Every setting with its environment variable."""
    return table(
        ("setting", "environment", "default", "what it is"),
        ((f"`{s.name}`", f"`{s.env}`", f"`{s.default}`", s.help) for s in SETTINGS),
    )


def plans() -> str:
    """Every shipped plan."""
    return table(
        ("plan", "characters", "what it is for"), ((f"`{p.name}`", len(p.payload), p.about) for p in PLANS)
    )


def rights() -> str:
    """What each role may, with the reason."""
    cells = {"all": "yes", "own": "its own", "no": ""}
    return table(
        ("may", *ROLES, "because"),
        ((r.about, *(cells[r.of(role)] for role in ROLES), r.because) for r in RIGHTS),
    )


def roles() -> str:
    """Every role."""
    return table(("role", "for whom"), ((f"`{role}`", about) for role, about in ABOUT.items()))


def _value(value: object, unit: str) -> str:
    if value is None:
        return "from the logic family"
    if isinstance(value, tuple):
        return ", ".join(str(v) for v in value)
    return f"{value:g} {unit}".strip() if isinstance(value, int | float) else str(value)


def check_items() -> str:
    """Every item of a station check."""
    spoils = {"note": "nothing, it is told"}
    return table(
        ("item", "unit", "it is", "limit", "beyond it the station is", "source"),
        (
            (
                f"`{k.name}`" + (" (each line)" if k.per_line else ""),
                k.unit,
                k.words,
                " ".join(f"`{name}`" for name in dict.fromkeys(n for n in k.limits if n)),
                spoils.get(k.spoils, k.spoils),
                k.source,
            )
            for k in ITEMS
        ),
    )


def check_limits() -> str:
    """Every limit of a station check with its reason and source."""
    return table(
        ("limit", "default", "why", "source"),
        ((f"`{r.name}`", _value(r.default, r.unit), r.reason, r.source) for r in CHECK_LIMITS),
    )


TABLES: dict[str, Callable[[], str]] = {
    "check items": check_items,
    "check limits": check_limits,
    "findings": findings,
    "limits": limits,
    "settings": settings,
    "plans": plans,
    "roles": roles,
    "rights": rights,
}


def filled(text: str) -> str:
    """The README's text with every table between its two marks made anew.

    Raises:
        ValueError: a table has no place in the text.
    """
    for name, make in TABLES.items():
        place = re.compile(rf"(<!-- table {name} -->\n).*?(<!-- end {name} -->)", re.DOTALL)
        if not place.search(text):
            raise ValueError(f"README.md has no place for the table {name!r}")
        text = place.sub(lambda m, made=make: f"{m[1]}\n{made()}\n\n{m[2]}", text)  # type: ignore[misc]
    return text


if __name__ == "__main__":
    README.write_text(filled(README.read_text(encoding="utf-8")), encoding="utf-8")
    sys.exit(0)
