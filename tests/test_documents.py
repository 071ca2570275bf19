"""README and DEVELOPERS.md say what the code does: each table row, command, route and path is checked."""

from __future__ import annotations

import re
from pathlib import Path

from service.web.app import create_app
from tests.readme_tables import README, filled

ROOT = README.parent
DEVELOPERS = ROOT / "DEVELOPERS.md"


def test_the_readmes_tables_are_those_of_the_code() -> None:
    """Mend with `python -m tests.readme_tables`."""
    text = README.read_text(encoding="utf-8")
    assert text == filled(text)


def test_the_readme_starts_with_the_job_and_then_the_two_commands() -> None:
    """A newcomer reads one paragraph and runs two commands."""
    text = README.read_text(encoding="utf-8")
    first, rest = text.split("\n\n", 2)[1:]
    assert len(first.split()) > 60
    assert rest.index("make demo") < rest.index("make test") < 600


def test_every_link_within_the_readme_leads_to_a_heading() -> None:
    """Anchors as GitHub makes them: small letters, no punctuation, hyphens for spaces."""
    text = README.read_text(encoding="utf-8")
    headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    anchors = {re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-") for heading in headings}
    links = re.findall(r"\]\(#([^)]*)\)", text)
    assert len(links) > 20
    assert [link for link in links if link not in anchors] == []


def test_every_path_that_the_developers_page_names_exists() -> None:
    """A map with wrong places is worse than none."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    named = re.findall(r"`((?:service|drivers|simulator|tests|\.ci)/[\w./-]*)`", text)
    assert named
    assert [p for p in named if not (ROOT / p).exists()] == []


def test_every_command_of_the_make_file_is_explained() -> None:
    """`make` and the documents know the same verbs."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    verbs = set(re.search(r"^\.PHONY: (.*)$", makefile, re.MULTILINE)[1].split()) - {"help", "clean"}  # type: ignore[index]
    text = README.read_text(encoding="utf-8") + DEVELOPERS.read_text(encoding="utf-8")
    assert [v for v in sorted(verbs) if f"make {v}" not in text] == []


def test_the_top_level_holds_what_was_agreed_and_nothing_else() -> None:
    """Three houses, tests, and the papers."""
    agreed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "service", "drivers", "simulator", "tests",
        "Makefile", "constraints.txt",
    }  # fmt: skip
    import subprocess

    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=20, check=True
    ).stdout.split()
    top = {Path(p).parts[0] for p in listed}
    assert {t for t in top if not t.startswith(".")} - agreed == set()
    assert create_app is not None
