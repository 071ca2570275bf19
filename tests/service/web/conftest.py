"""A service without instruments behind FastAPI's test client."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from service.web.app import create_app
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring

with warnings.catch_warnings():
    # the test client still works with httpx, and says at import that it would rather have its successor
    warnings.filterwarnings("ignore", message="Using `httpx` with")
    from fastapi.testclient import TestClient

Client = TestClient


@pytest.fixture
def serve_straw(tmp_path: Path) -> Iterator[Callable[..., TestClient]]:
    """`serve_straw(echo, **settings)` gives a client of a running service; several may be made in turn."""
    with ExitStack() as stack:

        def start(echo: StrawEchoTest | None = None, folder: Path = tmp_path, **given: Any) -> TestClient:
            app = create_app(straw_wiring(folder, echo, **given))
            client = TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False)
            return stack.enter_context(client)

        yield start


@pytest.fixture
def serve() -> Iterator[Callable[[Wiring], TestClient]]:
    """`serve(wiring)` gives a client of that very service; several may be made in turn."""
    with ExitStack() as stack:

        def start(wiring: Wiring) -> TestClient:
            app = create_app(wiring)
            client = TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False)
            return stack.enter_context(client)

        yield start


@pytest.fixture
def client(serve_straw: Callable[..., TestClient]) -> TestClient:
    """A service whose echo tests pass at once."""
    return serve_straw()
