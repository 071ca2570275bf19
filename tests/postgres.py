"""A PostgreSQL server of the tests' own: private port and folder, an unprivileged user, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

START_S = 30


def binaries() -> Path | None:
    """The folder of Debian's newest PostgreSQL, or of the one on the path; None when there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


class Server:
    """Started and stopped at will; what is in it stays between."""

    def __init__(self, folder: Path) -> None:
        where = binaries()
        assert where is not None
        self._bin = where
        self._data = folder / "data"
        self._log = folder / "log"
        self._folder = folder
        self._user = _unprivileged()
        self.port = _free_port()
        self._filled: str | None = None
        if self._user is not None:
            entry = pwd.getpwnam(self._user)
            os.chown(folder, entry.pw_uid, entry.pw_gid)
        self._run("initdb", "-D", str(self._data), "-U", "bench", "-A", "trust", "-E", "UTF8", "--no-sync")

    def url(self, database: str) -> str:
        return f"postgresql://bench@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        options = f"-c listen_addresses=127.0.0.1 -p {self.port} -c fsync=off -k {self._folder}"
        self._run(
            "pg_ctl",
            "-D",
            str(self._data),
            "-l",
            str(self._log),
            "-w",
            "-t",
            str(START_S),
            "-o",
            options,
            "start",
        )

    def stop(self) -> None:
        """As if the machine went: connections are cut, not waited for."""
        self._run("pg_ctl", "-D", str(self._data), "-w", "-m", "immediate", "stop")

    def make_database(self, name: str) -> str:
        self._say(f'CREATE DATABASE "{name}"')
        return self.url(name)

    @contextmanager
    def database(self, name: str, like: Callable[[str, str], None] | None = None) -> Iterator[str]:
        """Its address while the block runs; empty, or a copy of one that `like(url, url)` has filled once.

        It is gone afterwards, whoever still has it open: hundreds would take minutes to remove together.
        """
        if like is None:
            self.make_database(name)
        else:
            if self._filled is None:
                self._filled = self.make_database("filled")
                like(self._filled, self._filled)
            self._say(f'CREATE DATABASE "{name}" TEMPLATE filled')
        yield self.url(name)
        self._say(f'DROP DATABASE "{name}" WITH (FORCE)')

    def _say(self, sentence: str) -> None:
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(sentence.encode())

    def _run(self, name: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self._bin / name), *arguments],
            user=self._user,
            cwd=self._folder,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            timeout=2 * START_S,
            check=False,
        )
        assert done.returncode == 0, f"{name}: {done.stderr or self._log.read_text()}"


@contextmanager
def running() -> Iterator[Server]:
    """A started server while the block runs."""
    folder = Path(tempfile.mkdtemp(prefix="benchwarden-pg-"))
    try:
        server = Server(folder)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _unprivileged() -> str | None:
    """Who is to run it: PostgreSQL refuses to run as root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name).pw_name
        except KeyError:
            continue
    raise AssertionError("neither user postgres nor nobody exists")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
