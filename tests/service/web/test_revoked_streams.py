"""A stream of events ends with the right to see it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from service.access.access import Credentials
from service.web.door import COOKIE
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_access import BODY, made
from tests.service.web.test_echo_tests import URL, parse_events


@pytest.fixture
def echo() -> StrawEchoTest:
    return StrawEchoTest(gated=True)


@pytest.fixture
def wiring(tmp_path: Path, echo: StrawEchoTest) -> Wiring:
    return straw_wiring(tmp_path, echo)


@pytest.fixture
def looked(wiring: Wiring, monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Set once a stream has begun and looked whether its caller may still see it."""
    looked, really = threading.Event(), wiring.access.why_out

    def why_out(brought: Credentials) -> str | None:
        because = really(brought)
        looked.set()
        return because

    monkeypatch.setattr(wiring.access, "why_out", why_out)
    return looked


def test_a_revoked_token_loses_its_open_stream(
    serve: Callable[[Wiring], Client], wiring: Wiring, echo: StrawEchoTest, looked: threading.Event
) -> None:
    """The run goes on; the last event says why nothing more is told, and has no number to take up again."""
    client = serve(wiring)
    token, secret = wiring.access.tokens.make("a viewer", "viewer", by="test")
    headers = {"Authorization": f"Bearer {secret}"}
    href = client.post(URL, json=BODY, headers=made(wiring, "operator")).headers["location"]
    with ThreadPoolExecutor(1) as pool:
        stream = pool.submit(client.get, f"{href}/events", headers=headers)
        assert looked.wait(30)
        # as another process on the same database does it: nothing but the row tells
        wiring.access.tokens.revoke(token.id)
        events = parse_events(stream.result(30).text)
    last = events[-1]
    assert last["event"] == "refused"
    assert last["data"]["because"].startswith("this token was revoked at ")
    assert "id" not in last
    assert client.get(f"{href}/events", headers=headers).status_code == 401
    echo.let_go.release()


def test_a_session_loses_its_stream_with_the_token_that_it_was_made_from(
    serve: Callable[[Wiring], Client], wiring: Wiring, echo: StrawEchoTest, looked: threading.Event
) -> None:
    """Cookies are no way around a revocation."""
    client = serve(wiring)
    parent, _secret = wiring.access.tokens.make("an operator", "operator", by="test")
    _session, cookie = wiring.access.tokens.open_session(parent, "test")
    href = client.post(URL, json=BODY, headers=made(wiring, "operator")).headers["location"]
    with ThreadPoolExecutor(1) as pool:
        stream = pool.submit(client.get, f"{href}/events", headers={"Cookie": f"{COOKIE}={cookie}"})
        assert looked.wait(30)
        wiring.access.tokens.revoke(parent.id)
        events = parse_events(stream.result(30).text)
    assert events[-1]["event"] == "refused"
    assert "this session" in events[-1]["data"]["because"]
    echo.let_go.release()


def test_a_stream_that_was_open_to_all_ends_when_somebody_shuts_the_door(
    serve: Callable[[Wiring], Client], wiring: Wiring, echo: StrawEchoTest, looked: threading.Event
) -> None:
    """The first token shuts it for everybody who brought none."""
    client = serve(wiring)
    href = client.post(URL, json=BODY).headers["location"]
    with ThreadPoolExecutor(1) as pool:
        stream = pool.submit(client.get, f"{href}/events")
        assert looked.wait(30)
        made(wiring, "admin")
        events = parse_events(stream.result(30).text)
    assert events[-1]["event"] == "refused"
    assert "somebody has made a token" in events[-1]["data"]["because"]
    echo.let_go.release()
