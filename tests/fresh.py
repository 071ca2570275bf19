"""Databases as a first start leaves them: made once in a process by the program itself, then copied.

The migrations cost a fifth of a second each time; that they run in an empty place is the matter of
tests/service/test_database.py, and of every test that starts the program itself.
"""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from service.database import Database
from service.jobs import Jobs
from service.settings import Settings, read_settings


def sqlite_file(path: Path) -> str:
    """The address of a SQLite file at the newest schema, without a row."""
    path.write_bytes(_files()[0])
    return f"sqlite:///{path}"


def lay_out(settings: Settings) -> None:
    """Where `settings` would have SQLite files made by the first start, they lie there already."""
    if settings.database or settings.data.exists():
        return
    settings.data.mkdir(parents=True)
    for url, content in zip((settings.database_url, settings.jobs_url), _files(), strict=True):
        Path(url.removeprefix("sqlite:///")).write_bytes(content)


def first_start(url: str, jobs_url: str) -> None:
    """What the first start of a service does to its databases."""
    database = Database(url)
    assert database.engine is not None
    database.close()
    jobs = Jobs(jobs_url, "nobody", lambda _job: None)
    jobs.open()
    jobs.close()


@cache
def _files() -> tuple[bytes, bytes]:
    """The contents of both files."""
    with tempfile.TemporaryDirectory(prefix="benchwarden-fresh-") as folder:
        settings = read_settings({"data": Path(folder)}, env={})
        first_start(settings.database_url, settings.jobs_url)
        both = [Path(url.removeprefix("sqlite:///")) for url in (settings.database_url, settings.jobs_url)]
        assert not list(Path(folder).glob("*-wal")), "a part of the file lies elsewhere"
        return both[0].read_bytes(), both[1].read_bytes()
