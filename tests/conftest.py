"""What every test may use. The watchdog of each test is pytest-timeout's, set in pyproject.toml."""

from __future__ import annotations

import itertools
import os
import time
import types
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import settings
from serial.urlhandler import protocol_socket

from tests import fresh, postgres

# the same examples on every run, however slow or busy the machine is
settings.register_profile("the same every time", derandomize=True, deadline=None)
settings.load_profile("the same every time")

_numbers = itertools.count(1)


@pytest.fixture
def need() -> Callable[[bool, str], None]:
    """`need(condition, reason)` skips with the reason; where .ci/run has set all up it fails."""

    def decide(condition: bool, reason: str) -> None:
        if condition:
            return
        if os.environ.get("BENCHWARDEN_NO_SKIPS") == "1":
            pytest.fail(f"would be skipped elsewhere, must run here: {reason}")
        pytest.skip(reason)

    return decide


@pytest.fixture(autouse=True)
def _own_data_folder(tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """No test writes into the data folder of the person who runs it."""
    monkeypatch.setenv("BENCHWARDEN_DATA", str(os.path.join(tmp_path, "benchwarden-data")))


@pytest.fixture(autouse=True, scope="session")
def _no_pause_after_a_link() -> Iterator[None]:
    """pyserial gives the server of a socket 0.3 s after each closing; the simulator needs none, and hundreds
    of runs would wait two minutes for it. Programs of their own keep the pause.
    """
    unhurried = types.SimpleNamespace(time=time.time, sleep=lambda _seconds: None)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(protocol_socket, "time", unhurried)
        yield


@pytest.fixture(scope="session")
def _postgres_server() -> Iterator[Callable[[], postgres.Server]]:
    """Started by the first test that wants it."""
    servers: list[postgres.Server] = []
    with ExitStack() as stack:

        def get() -> postgres.Server:
            if not servers:
                servers.append(stack.enter_context(postgres.running()))
            return servers[0]

        yield get


@pytest.fixture
def postgres_url(
    need: Callable[[bool, str], None], _postgres_server: Callable[[], postgres.Server]
) -> Iterator[str]:
    """The address of a database that nobody has used yet."""
    need(postgres.binaries() is not None, "PostgreSQL is not installed (Debian: apt-get install postgresql)")
    with _postgres_server().database(f"bench{next(_numbers)}") as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A test that asks for this runs on both, from before their first start."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'benchwarden.db'}"
    url: str = request.getfixturevalue("postgres_url")
    return url


@pytest.fixture
def _postgres_copy(
    need: Callable[[bool, str], None], _postgres_server: Callable[[], postgres.Server]
) -> Iterator[str]:
    need(postgres.binaries() is not None, "PostgreSQL is not installed (Debian: apt-get install postgresql)")
    with _postgres_server().database(f"bench{next(_numbers)}", like=fresh.first_start) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A test that asks for this runs on both, each as its first start leaves it."""
    if request.param == "sqlite":
        return fresh.sqlite_file(tmp_path / "benchwarden.db")
    url: str = request.getfixturevalue("_postgres_copy")
    return url
