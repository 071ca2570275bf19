"""Idempotency-Key, by draft-ietf-httpapi-idempotency-key-header-07 (15 October 2025).

One thing differs on purpose: "the first still runs" means the HTTP request, not the run that it asked for.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service import tables as t
from service.errors import BadQuery
from service.repeats import key_of_header
from service.run_record import Run
from service.web.app import create_app
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL, settled
from tests.service.web.test_error_shape import assert_problem

KEY = {"Idempotency-Key": '"8e03978e-40d5-43e8-bc93-6894a57f9324"'}
BODY = {"send": {"text": "Tide 7"}}


def test_first_time_makes_a_run_and_a_repeat_gets_the_same_answer(serve_straw: Callable[..., Client]) -> None:
    """Whether the run is queued, at work or done: the same 202, Location and body."""
    echo = StrawEchoTest(gated=True)
    client = serve_straw(echo)
    first = client.post(URL, json=BODY, headers=KEY)
    echo.wait_at_work()
    at_work = client.post(URL, json=BODY, headers=KEY)
    echo.let_go.release()
    settled(client, first.headers["Location"])
    done = client.post(URL, json=BODY, headers=KEY)
    for repeat in (at_work, done):
        assert repeat.status_code == first.status_code == 202
        assert repeat.headers["Location"] == first.headers["Location"]
        assert repeat.content == first.content
    assert len(echo.seen) == 1


def test_without_a_key_each_request_is_a_run(client: Client) -> None:
    """The header is not required here, so its absence is no error."""
    hrefs = {client.post(URL, json=BODY).headers["Location"] for _ in range(3)}
    assert len(hrefs) == 3


@pytest.mark.parametrize(
    ("url", "body"),
    [(URL, {"send": {"text": "Tide 8"}}), (URL.replace("north-1", "north-2"), BODY)],
)
def test_the_same_key_with_another_request_is_refused(client: Client, url: str, body: object) -> None:
    """Other payload or other station: 422."""
    client.post(URL, json=BODY, headers=KEY)
    problem = assert_problem(client.post(url, json=body, headers=KEY), 422)
    assert problem["type"] == "/problems/key-reused"


def test_a_repeat_while_the_first_request_is_being_answered_conflicts(tmp_path: Path) -> None:
    """409 with Retry-After; afterwards the repeat gets the first one's answer."""
    wiring = straw_wiring(tmp_path)
    inside, go_on = threading.Event(), threading.Event()
    submit = wiring.engine.submit

    def slow_submit(run_id: str) -> None:
        inside.set()
        assert go_on.wait(20)
        submit(run_id)

    wiring.engine.submit = slow_submit  # type: ignore[method-assign]
    with Client(create_app(wiring), base_url="http://127.0.0.1") as client:
        answers: list[str] = []
        first = threading.Thread(
            target=lambda: answers.append(client.post(URL, json=BODY, headers=KEY).headers["Location"]),
            daemon=True,
        )
        first.start()
        assert inside.wait(20)
        early = client.post(URL, json=BODY, headers=KEY)
        assert_problem(early, 409)
        assert early.headers["retry-after"] == "1"
        go_on.set()
        first.join(20)
        assert client.post(URL, json=BODY, headers=KEY).headers["Location"] == answers[0]


@pytest.mark.parametrize("header", ['""', '"a', 'a"b', "ä", "x" * 256, '"' + "x" * 256 + '"'])
def test_a_key_that_is_none_is_a_bad_request(header: str) -> None:
    """RFC 8941 3.3.3: a string is printable ASCII in double quotes."""
    with pytest.raises(BadQuery, match="Idempotency-Key"):
        key_of_header(header)


@pytest.mark.parametrize(
    ("header", "key"), [('"abc"', "abc"), ("abc", "abc"), (' "a\\"b" ', 'a"b'), ('"a b"', "a b")]
)
def test_a_key_with_or_without_its_quotes_is_the_same_key(header: str, key: str) -> None:
    """People forget the quotes in a shell."""
    assert key_of_header(header) == key


def test_a_bad_key_is_told_over_http(client: Client) -> None:
    """400 in the one shape."""
    assert_problem(client.post(URL, json=BODY, headers={"Idempotency-Key": '""'}), 400)


def ask_directly(wiring: Wiring, key: str = "k1", text: str = "Tide 7") -> Run:
    from service.plans import Send

    return wiring.intake.request_echo_test("north-1", Send(text=text), key)


def test_a_key_outlives_a_restart_of_the_service(tmp_path: Path) -> None:
    """It is kept beside the runs."""
    first = ask_directly(straw_wiring(tmp_path))
    assert ask_directly(straw_wiring(tmp_path)).id == first.id


def test_a_crash_between_key_and_run_leaves_a_repeat_that_makes_that_very_run(tmp_path: Path) -> None:
    """The key's file names the run before the run exists."""
    wiring = straw_wiring(tmp_path)
    begin = wiring.journal.begin
    ids: list[str] = []

    def crash(run: Run, **_: Any) -> Run:
        ids.append(run.id)
        raise KeyboardInterrupt

    wiring.journal.begin = crash  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        ask_directly(wiring)
    wiring.journal.begin = begin  # type: ignore[method-assign]
    assert ask_directly(wiring).id == ids[0]


def test_a_key_is_forgotten_after_its_hours(tmp_path: Path) -> None:
    """Time is a parameter: no waiting here."""
    now = datetime(2027, 1, 12, 6, 31, tzinfo=UTC)
    wiring = straw_wiring(tmp_path, key_hours=2)
    wiring.intake.repeats.clock = lambda: now
    first = ask_directly(wiring)
    now += timedelta(hours=1, minutes=59)
    assert ask_directly(wiring).id == first.id
    now += timedelta(minutes=2)
    assert ask_directly(wiring, text="Tide 8").id != first.id
    ask_directly(wiring, "k2")
    now += timedelta(hours=1)
    ask_directly(wiring, "k3")
    now += timedelta(hours=1, minutes=1)
    wiring.intake.repeats.forget_old()
    with wiring.store.database.reading() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(t.keys)).scalar_one() == 1


def test_two_keys_on_one_request_are_refused(client: Client) -> None:
    """Nobody could say which one counts (one per request, says the draft)."""
    headers = [("Idempotency-Key", '"one"'), ("Idempotency-Key", '"two"')]
    assert_problem(
        client.post(URL, json={"send": {"text": "Tide 7"}}, headers=headers), 400, "more than once"
    )
    assert client.get("/api/v1/runs").json() == []


def test_a_filter_that_is_given_twice_is_refused(client: Client) -> None:
    """Silently taking one of the two would answer another question."""
    assert_problem(client.get("/api/v1/runs?state=done&state=error"), 400, "state")
