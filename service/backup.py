"""A backup: one tar file with every row as JSON, every capture and report; restored on either database.

It is taken while the service runs: rows are those of one moment, files were there before their rows. Jobs are
not in it: they are made anew from the runs at the next start.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import tarfile
import tempfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.access.audit import Audit
from service.access.command import made_by
from service.database import NEWEST, Database
from service.errors import BadInput, Conflict, StoreFailed
from service.store import RunStore

NOT_KEPT = ("workers", "links")
"""Who was alive at that moment says nothing later; a link that opens a door lives for minutes."""
BATCH = 500
MEMBER = re.compile(r"captures/[0-9a-f]{2}/[0-9a-f]{64}\.npz|runs/[0-9-]+-[0-9a-f]{8}/report\.html")


def write_backup(store: RunStore, target: Path) -> dict[str, int]:
    """Write the backup whole or not at all; returns how many rows and files are in it.

    Raises:
        Conflict: there is such a file already. StoreFailed, DatabaseAway.
    """
    if target.exists():
        raise Conflict(f"{target} is there already; a backup overwrites nothing")
    part = target.with_name(f".{target.name}.part")
    try:
        with tarfile.open(part, "w") as tar:
            rows, files = _write_rows(tar, store.database), _write_files(tar, store.folder)
        part.rename(target)
    except OSError as error:
        raise StoreFailed(f"the backup {target} could not be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return {"rows": rows, "files": files}


def read_backup(source: Path, database: Database, folder: Path) -> dict[str, int]:
    """Restore into an empty database and an empty folder; every capture is checked against its name.

    Raises:
        Conflict: database or folder hold something already.
        BadInput: no backup, damaged, or of another schema than this version writes.
    """
    if folder.exists() and any((folder / name).exists() for name in ("captures", "runs")):
        raise Conflict(f"{folder} holds captures or reports already: restore into an empty folder")
    try:
        with tarfile.open(source) as tar, database.changing() as connection:
            _require_empty(connection)
            rows = _read_rows(tar, connection)
            files = _read_files(tar, folder)
            details = {"rows": str(rows), "files": str(files)}
            Audit(database).add_within(connection, made_by(), "restore", source.name, "", "done", details)
    except (tarfile.TarError, FileNotFoundError, KeyError, ValueError) as error:
        raise BadInput(f"{source} is no whole backup of this program: {error}") from error
    return {"rows": rows, "files": files}


def _tables() -> list[sa.Table]:
    return [table for table in t.metadata.sorted_tables if table.name not in NOT_KEPT]


def _write_rows(tar: tarfile.TarFile, database: Database) -> int:
    """All tables as of one moment."""
    count = 0
    engine = database.engine.execution_options(
        **({"isolation_level": "REPEATABLE READ"} if database.engine.dialect.name == "postgresql" else {}),
        benchwarden_reading=True,
    )
    _add(tar, "schema.json", json.dumps({"schema": NEWEST}).encode())
    with engine.connect() as connection, connection.begin():
        for table in _tables():
            with tempfile.TemporaryFile() as lines:
                for row in connection.execute(sa.select(table).order_by(*table.primary_key.columns)):
                    lines.write(json.dumps(dict(row._mapping), separators=(",", ":")).encode() + b"\n")
                    count += 1
                info = tarfile.TarInfo(f"tables/{table.name}.jsonl")
                info.size = lines.tell()
                lines.seek(0)
                tar.addfile(info, lines)
    return count


def _write_files(tar: tarfile.TarFile, folder: Path) -> int:
    count = 0
    for path in sorted((*folder.glob("captures/*/*.npz"), *folder.glob("runs/*/report.html"))):
        tar.add(path, path.relative_to(folder).as_posix())
        count += 1
    return count


def _require_empty(connection: sa.Connection) -> None:
    for table in _tables():
        if connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first() is not None:
            raise Conflict(f"the database holds {table.name} already: restore into an empty one")


def _read_rows(tar: tarfile.TarFile, connection: sa.Connection) -> int:
    schema = json.loads(_content(tar, "schema.json"))["schema"]
    if schema != NEWEST:
        raise ValueError(f"its schema is {schema}, this program's is {NEWEST}")
    count = 0
    for table in _tables():
        rows = [json.loads(line) for line in _content(tar, f"tables/{table.name}.jsonl").splitlines()]
        for batch in _batches(rows):
            connection.execute(sa.insert(table), batch)
        count += len(rows)
        _continue_numbers(connection, table)
    return count


def _continue_numbers(connection: sa.Connection, table: sa.Table) -> None:
    """PostgreSQL counts on from where it was, not from the rows that were put in."""
    column = table.autoincrement_column
    if column is None or connection.dialect.name != "postgresql":
        return
    highest = connection.execute(sa.select(sa.func.max(column))).scalar()
    if highest is not None:
        name = sa.func.pg_get_serial_sequence(table.name, column.name)
        connection.execute(sa.select(sa.func.setval(name, highest)))


def _read_files(tar: tarfile.TarFile, folder: Path) -> int:
    count = 0
    for member in tar.getmembers():
        if member.name == "schema.json" or member.name.startswith("tables/"):
            continue
        if not MEMBER.fullmatch(member.name) or not member.isfile():
            raise ValueError(f"{member.name!r} does not belong in one")
        content = _content(tar, member.name)
        path = PurePosixPath(member.name)
        if path.suffix == ".npz" and hashlib.sha256(content).hexdigest() != path.stem:
            raise ValueError(f"{member.name} is damaged")
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)
        count += 1
    return count


def _content(tar: tarfile.TarFile, name: str) -> bytes:
    file = tar.extractfile(name)
    if file is None:
        raise ValueError(f"{name} is no file")
    return file.read()


def _add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    info = tarfile.TarInfo(name)
    info.size = len(content)
    tar.addfile(info, io.BytesIO(content))


def _batches(rows: list[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    for start in range(0, len(rows), BATCH):
        yield rows[start : start + BATCH]
