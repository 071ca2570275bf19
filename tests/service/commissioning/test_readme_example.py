"""The README's worked example is true: its file is the one that drives the invented scope in the tests."""

from __future__ import annotations

import re
from pathlib import Path

from drivers.scope.dialect_reader import load_dialect
from service.commissioning.record import fingerprint
from tests.drivers.lantern import METHODS
from tests.readme_tables import README

LANTERN = Path(__file__).parents[2] / "drivers" / "lantern.toml"


def section() -> str:
    text = README.read_text(encoding="utf-8")
    return text.partition("## A dialect of your own")[2].partition("\n## ")[0]


def test_the_readmes_dialect_is_the_one_that_is_driven(tmp_path: Path) -> None:
    """Every command, unit and meaning: whoever copies it has what works."""
    path = tmp_path / "lantern.toml"
    path.write_text(re.findall(r"```toml\n(.*?)```", section(), re.DOTALL)[0], encoding="utf-8")
    assert fingerprint(load_dialect(path)) == fingerprint(load_dialect(LANTERN))


def test_the_readmes_manual_has_every_word_of_the_scope() -> None:
    """And is short enough to be read: about twenty lines."""
    manual = re.findall(r"```text\n(.*?)```", section(), re.DOTALL)[0]
    words = set(re.findall(r"[A-Z]+\??", manual))
    assert sorted(set(METHODS) - words) == []
    assert len(manual.splitlines()) <= 26
