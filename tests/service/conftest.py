"""Stores of runs: on both databases, or on one where its kind does not matter."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.database import Database
from service.store import RunStore


@pytest.fixture
def store(database: str, tmp_path: Path) -> Iterator[RunStore]:
    opened = Database(database)
    yield RunStore(opened, tmp_path / "data")
    opened.close()


@pytest.fixture
def light(tmp_path: Path) -> Iterator[Callable[..., RunStore]]:
    """`light(rename=...)`: stores on one SQLite file, where the kind of database does not matter."""
    opened = Database(f"sqlite:///{tmp_path / 'b.db'}")
    yield lambda **more: RunStore(opened, tmp_path / "data", **more)
    opened.close()
