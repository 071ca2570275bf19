"""Every command that changes something is in the audit: who, what, when."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.access.audit import Audit, Entry
from service.access.command import made_by
from service.cli.main import COMMANDS, run
from service.database import Database
from service.store import RunStore
from tests.service.cli.test_main import STATIONS
from tests.service.room.papers import kept_check

CHANGING: dict[str, tuple[tuple[list[str], str, str], ...]] = {
    "item": (
        (["item", "add", "P-07", "probe"], "item add", "P-07"),
        (["item", "place", "P-07", "north-3", "--line", "to_target"], "item place", "P-07"),
        (["item", "state", "P-07", "out", "--because", "clip arced"], "item state", "P-07"),
        (["item", "note", "P-07", "new clip ordered"], "item note", "P-07"),
        (["item", "away", "P-07"], "item away", "P-07"),
    ),
    "claim": ((["claim", "north-3", "--who", "Ida"], "claim", "north-3"),),
    "give-back": ((["give-back", "north-3", "--who", "Ida"], "give-back", "north-3"),),
    "baseline": ((["baseline", "north-3", "--make", "first of the term"], "baseline make", "north-3"),),
    "token": ((["token", "make", "boss", "--role", "admin"], "token make", ""),),
    "echo": ((["echo", "north-3", "--text", "Tide 7"], "command echo-test", ""),),
    "check": ((["check", "north-3"], "command check", ""),),
    "restore": (),
}
"""Command -> (words, what the audit calls it, its subject; "" where it is made up), in an order that works.
"""
WRITES_NOTHING_HERE = {
    "demo", "serve", "worker", "simulate", "analyze", "commission", "backup", "audit", "history", "morning",
    "statistics",
}  # fmt: skip
"""Commands that only read or start others; `commission` writes a file of the user's. What a service or worker
does is asked for by requests and schedules, which have rows of their own.
"""


@pytest.fixture
def lab(tmp_path: Path) -> list[str]:
    """The options that name a lab of one station, whose instrument does not answer."""
    path = tmp_path / "stations.toml"
    path.write_text(STATIONS)
    return ["--stations", str(path), "--data", str(tmp_path / "data")]


def database(tmp_path: Path) -> Database:
    return Database(f"sqlite:///{tmp_path}/data/benchwarden.db")


def newest(tmp_path: Path, count: int) -> list[Entry]:
    """The newest rows, oldest first; the chain must be whole."""
    audit = Audit(database(tmp_path))
    assert audit.verify().broken_at is None
    return audit.page(None, count)[0][::-1] if count else []


def test_no_command_is_without_an_answer() -> None:
    """A new command must say whether it changes something."""
    assert set(CHANGING) | WRITES_NOTHING_HERE == set(COMMANDS)
    assert not set(CHANGING) & WRITES_NOTHING_HERE


def test_each_change_has_one_row_of_its_own(tmp_path: Path, lab: list[str]) -> None:
    """With the person of this machine's account, and the name that was given for the log."""
    ten_good_checks(tmp_path, lab)
    before = len(newest(tmp_path, 1000))
    for rows in CHANGING.values():
        for words, what, subject in rows:
            # tokens concern no stations file
            options = lab[2:] if words[0] == "token" else lab
            run([*words, *options])
            entries = newest(tmp_path, 1000)
            assert len(entries) == before + 1, words
            before = len(entries)
            assert (entries[-1].who, entries[-1].what) == (made_by(), what)
            assert subject in ("", entries[-1].subject)


def test_a_change_that_was_refused_leaves_no_row(tmp_path: Path, lab: list[str]) -> None:
    """Change and row are one transaction: neither is there."""
    assert run(["item", "place", "P-99", "north-3", *lab]) == 2
    assert run(["item", "add", "P-07", "probe", *lab]) == 0
    assert run(["item", "add", "P-07", "probe", *lab]) != 0
    assert run(["give-back", "north-3", *lab]) != 0
    assert [entry.what for entry in newest(tmp_path, 1000)] == ["item add"]


def test_a_restored_lab_says_that_it_was_restored(tmp_path: Path, lab: list[str]) -> None:
    """As the last row of the chain that came with it."""
    assert run(["item", "add", "P-07", "probe", *lab]) == 0
    assert run(["backup", str(tmp_path / "all.tar"), *lab[2:]]) == 0
    (tmp_path / "new").mkdir()
    assert run(["restore", str(tmp_path / "all.tar"), "--data", str(tmp_path / "new" / "data")]) == 0
    last = newest(tmp_path / "new", 2)
    assert [entry.what for entry in last] == ["item add", "restore"]
    assert last[-1].subject == "all.tar"


def ten_good_checks(tmp_path: Path, lab: list[str]) -> None:
    """What a baseline needs."""
    assert run(["item", "list", *lab]) == 0  # makes the database
    store = RunStore(database(tmp_path), tmp_path / "data")
    for day in range(1, 11):
        kept_check(store, "north-3", datetime(2026, 9, day, 6, 30, tzinfo=UTC))
