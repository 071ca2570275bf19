"""A backup is one file, taken at work, and restoring it brings everything back, on either database."""

from __future__ import annotations

import io
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest

from service.backup import read_backup, write_backup
from service.cli.main import run as command
from service.database import Database
from service.errors import BadInput, Conflict
from service.plans import Send
from service.run_record import Run
from service.store import RunStore
from service.wiring import Wiring
from tests.service.bench_of_straw import straw_wiring
from tests.service.test_engine import watching


def morning(folder: Path, database: str) -> tuple[Wiring, list[Run]]:
    """A service that has done two runs, with a third in its queue and a schedule; closed."""
    wiring = straw_wiring(folder, database=database)
    with watching(wiring) as wait:
        wiring.engine.start()
        runs = [wiring.intake.request_echo_test("north-1", Send(text=f"Tide {n}")) for n in range(2)]
        for run in runs:
            wait(run.id)
        wiring.engine.close()
    third = wiring.intake.request_echo_test("south-1", Send(text="later"))
    schedule = {"name": "morning", "cron": "30 7 * * 1-5", "stations": ["*"], "kind": "echo-test",
                "send": {"plan": "short"}}  # fmt: skip
    wiring.scheduler.put(wiring.scheduler.check(schedule))
    return wiring, [*runs, third]


@pytest.fixture
def to_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], str]:
    def url(kind: str) -> str:
        if kind == "sqlite":
            return f"sqlite:///{tmp_path / 'second' / 'data' / 'benchwarden.db'}"
        found: str = request.getfixturevalue("postgres_url")
        return found

    return url


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_everything_comes_back_and_the_queue_goes_on(
    tmp_path: Path, database: str, to_url: Callable[[str], str], kind: str
) -> None:
    """From either database to either: records, events, results, captures, reports, schedules, the queue."""
    wiring, runs = morning(tmp_path / "first", database)
    target = tmp_path / "all.tar"
    counts = write_backup(wiring.store, target)
    assert counts["files"] == 3  # the two captures are alike: one file; two reports
    elsewhere = to_url(kind) if kind == "sqlite" or database.startswith("sqlite") else _another(database)
    second = tmp_path / "second"
    after = straw_wiring(second, database=elsewhere)
    assert read_backup(target, after.store.database, second / "data") == counts
    for run in runs:
        assert after.store.read(run.id) == wiring.store.read(run.id)
        assert after.store.events(run.id) == wiring.store.events(run.id)
        assert after.store.result(run.id) == wiring.store.result(run.id)
    for run in runs[:2]:
        assert after.store.capture(run.id, "0").read_bytes() == wiring.store.capture(run.id, "0").read_bytes()
        assert after.store.report(run.id).read_bytes() == wiring.store.report(run.id).read_bytes()
    assert after.scheduler.all() == wiring.scheduler.all()
    with watching(after) as wait:
        after.engine.start()
        assert wait(runs[2].id).state == "done"
        new = after.intake.request_echo_test("north-1", Send(text="new"))
        assert wait(new.id).sequence > max(after.store.read(run.id).sequence for run in runs)
    after.close()
    wiring.close()


def _another(database: str) -> str:
    """A second empty database on the server of the first."""
    import sqlalchemy as sa

    url = sa.make_url(database)
    engine = sa.create_engine(url.set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f'CREATE DATABASE "{url.database}b"'))
    engine.dispose()
    return url.set(database=f"{url.database}b").render_as_string(hide_password=False)


def test_the_commands_do_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`backup` and `restore`, exit code 0; a second backup into the same file is refused."""
    folder = tmp_path / "first" / "data"
    _, runs = morning(tmp_path / "first", f"sqlite:///{folder / 'benchwarden.db'}")
    target = str(tmp_path / "all.tar")
    assert command(["backup", target, "--data", str(folder)]) == 0
    assert command(["restore", target, "--data", str(tmp_path / "second")]) == 0
    assert "restored" in capsys.readouterr().out
    database = Database(f"sqlite:///{tmp_path / 'second' / 'benchwarden.db'}")
    assert RunStore(database, tmp_path / "second").read(runs[0].id).state == "done"
    assert command(["backup", target, "--data", str(folder)]) == 5
    assert "overwrites nothing" in capsys.readouterr().err
    assert command(["restore", target, "--data", str(folder)]) == 5


def damaged(source: Path, target: Path, change: Callable[[tarfile.TarInfo, bytes], bytes]) -> Path:
    """The backup with its members changed."""
    with tarfile.open(source) as old, tarfile.open(target, "w") as new:
        for member in old.getmembers():
            file = old.extractfile(member)
            assert file is not None
            content = change(member, file.read())
            member.size = len(content)
            new.addfile(member, io.BytesIO(content))
    return target


def test_a_damaged_or_foreign_file_is_refused_and_nothing_is_restored(tmp_path: Path) -> None:
    """A capture that belies its name, a path that leads elsewhere, another schema, no tar at all."""
    wiring, _ = morning(tmp_path / "first", f"sqlite:///{tmp_path / 'b.db'}")
    whole = tmp_path / "all.tar"
    write_backup(wiring.store, whole)

    def spoil(member: tarfile.TarInfo, content: bytes) -> bytes:
        return content[:-1] + b"x" if member.name.startswith("captures/") else content

    def lead_away(member: tarfile.TarInfo, content: bytes) -> bytes:
        member.name = member.name.replace("runs/", "runs/../")
        return content

    def age(member: tarfile.TarInfo, content: bytes) -> bytes:
        return b'{"schema": "0000"}' if member.name == "schema.json" else content

    bad = [damaged(whole, tmp_path / f"{f.__name__}.tar", f) for f in (spoil, lead_away, age)]
    (tmp_path / "none.tar").write_bytes(b"shopping list")
    words_of = dict(zip(bad, ("damaged", "belong", "schema"), strict=True))
    for source, words in (words_of | {tmp_path / "none.tar": "no whole backup"}).items():
        database = Database(f"sqlite:///{tmp_path / 'c.db'}")
        with pytest.raises(BadInput, match=words):
            read_backup(source, database, tmp_path / "elsewhere" / source.stem)
        assert list(RunStore(database, tmp_path).newest_first()) == []
        database.close()


def test_nothing_is_restored_over_something(tmp_path: Path) -> None:
    """Neither into a database nor into a folder with data."""
    url = f"sqlite:///{tmp_path / 'b.db'}"
    wiring, _ = morning(tmp_path / "first", url)
    write_backup(wiring.store, tmp_path / "all.tar")
    with pytest.raises(Conflict, match="empty one"):
        read_backup(tmp_path / "all.tar", Database(url), tmp_path / "new")
    with pytest.raises(Conflict, match="empty folder"):
        read_backup(
            tmp_path / "all.tar", Database(f"sqlite:///{tmp_path / 'c.db'}"), tmp_path / "first" / "data"
        )
