"""Who gets in, what they see, what is written down about it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.access.audit import Audit
from service.access.roles import MAY_WAIT
from service.errors import DatabaseAway
from service.web.door import COOKIE, PASSED_ON
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import URL
from tests.service.web.test_error_shape import NO_RUN, assert_problem

BODY = {"send": {"text": "Tide 7"}}
ORIGIN = {"Origin": "http://127.0.0.1"}


@pytest.fixture
def wiring(tmp_path: Path) -> Wiring:
    return straw_wiring(tmp_path)


@pytest.fixture
def client(wiring: Wiring, serve: Callable[[Wiring], Client]) -> Client:
    return serve(wiring)


def made(wiring: Wiring, role: str, **more: Any) -> dict[str, str]:
    """The header of a new token."""
    return {"Authorization": f"Bearer {wiring.access.tokens.make(f'a {role}', role, by='test', **more)[1]}"}


def settled(client: Client, href: str, headers: dict[str, str]) -> dict[str, Any]:
    client.get(f"{href}/events", headers=headers)
    run: dict[str, Any] = client.get(href, headers=headers).json()
    return run


def test_without_tokens_everybody_on_this_machine_may_do_everything(client: Client) -> None:
    """As the README's examples do it; a session or token is not asked for."""
    assert client.get("/api/v1/session").json()["id"] == "loopback"
    assert client.post(URL, json=BODY).status_code == 202
    assert client.get("/api/v1/audit").json()[0]["who"] == "loopback"


def test_the_first_token_shuts_the_door_for_everybody_else(client: Client) -> None:
    """Made over HTTP; from the next request on it is needed for all but what says that the process lives."""
    token = client.post("/api/v1/tokens", json={"name": "boss", "role": "admin"})
    assert token.status_code == 201
    assert token.headers["cache-control"] == "no-store"
    refused = client.get("/api/v1/stations")
    assert_problem(refused, 401, "Authorization: Bearer")
    assert refused.headers["www-authenticate"] == 'Bearer realm="benchwarden"'
    assert client.get("/healthz").status_code == 200
    header = {"Authorization": f"Bearer {token.json()['token']}"}
    assert client.get("/api/v1/stations", headers=header).status_code == 200
    (shown,) = client.get("/api/v1/tokens", headers=header).json()
    assert (shown["id"], shown["state"]) == (token.json()["id"], "alive")
    assert "token" not in shown
    where = token.headers["location"]
    assert client.delete(where, headers=header).json()["state"].startswith("was revoked")
    assert_problem(client.get("/api/v1/stations", headers=header), 401, "revoked")


@pytest.mark.parametrize("name", PASSED_ON)
def test_a_proxy_in_front_of_a_service_without_tokens_lets_nobody_in(client: Client, name: str) -> None:
    """Any of the headers that proxies add is enough to tell."""
    assert_problem(client.get("/api/v1/stations", headers={name: "192.0.2.7"}), 401, "proxy")


@pytest.mark.parametrize(
    ("header", "status", "code"),
    [
        ("Bearer", 400, "invalid_request"),
        ("Bearer a b", 400, "invalid_request"),
        ("Bearer bwt_é", 400, "invalid_request"),
        ("Bearer AAAA", 401, "invalid_token"),
        ("bEARER AAAA", 401, "invalid_token"),
        ("Basic YWRhOmFkYQ==", 401, None),
        ("", 401, None),
    ],
)
def test_credentials_are_read_as_rfc_6750_says(
    client: Client, wiring: Wiring, header: str, status: int, code: str | None
) -> None:
    """Section 3.1: no code where nothing of ours was sent."""
    made(wiring, "admin")
    response = client.get("/api/v1/runs", headers={"Authorization": header.encode()})
    problem = assert_problem(response, status)
    assert response.headers["www-authenticate"] == 'Bearer realm="benchwarden"' + (
        f', error="{code}"' if code else ""
    )
    assert "AAAA" not in json.dumps(problem)


def test_a_submitter_sees_only_what_it_handed_in(client: Client, wiring: Wiring) -> None:
    """Lists leave others' runs out; their addresses are as if nothing were there, for every way of asking."""
    ada, grace = made(wiring, "submitter"), made(wiring, "submitter")
    hers = settled(client, client.post(URL, json=BODY, headers=ada).headers["location"], ada)
    assert [r["id"] for r in client.get("/api/v1/runs", headers=ada).json()] == [hers["id"]]
    assert client.get("/api/v1/runs", headers=grace).json() == []
    nothing = client.get(f"/api/v1/runs/{NO_RUN}", headers=grace).json()
    for method, path in (
        ("GET", ""), ("GET", "/events"), ("GET", "/report"), ("GET", "/captures/0"), ("GET", "/cursors"),
        ("POST", "/cancel"), ("POST", "/continue"),
    ):  # fmt: skip
        refused = assert_problem(client.request(method, hers["href"] + path, headers=grace), 404)
        assert refused["detail"].replace(hers["id"], NO_RUN) == nothing["detail"]
        assert client.request(method, hers["href"] + path, headers=ada).status_code in (200, 409, 404), path
    assert client.get(hers["href"] + "/report", headers=ada).status_code == 200


def test_others_see_all_runs_and_stop_what_is_theirs_to_stop(
    serve: Callable[[Wiring], Client], tmp_path: Path
) -> None:
    """A viewer looks, a grader leaves others' runs alone, an operator may stop any."""
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path / "gated", echo)
    client = serve(wiring)
    ada, viewer, grader, operator = (
        made(wiring, role) for role in ("submitter", "viewer", "grader", "operator")
    )
    href = client.post(URL, json=BODY, headers=ada).headers["location"]
    for who in (viewer, grader, operator):
        assert client.get(href, headers=who).status_code == 200
        assert len(client.get("/api/v1/runs", headers=who).json()) == 1
    assert_problem(client.post(f"{href}/cancel", headers=viewer), 403, "viewer")
    assert_problem(client.post(f"{href}/cancel", headers=grader), 403, "somebody else")
    assert client.post(f"{href}/cancel", headers=operator).status_code == 202


def test_a_token_for_some_stations_reaches_no_others(client: Client, wiring: Wiring) -> None:
    """For asking, for looking, in lists, and not for what concerns the whole room."""
    north = made(wiring, "operator", stations=["north-*"])
    admin = made(wiring, "admin")
    south_url = URL.replace("north-1", "south-1")
    south = settled(client, client.post(south_url, json=BODY, headers=admin).headers["location"], admin)
    assert client.post(URL, json=BODY, headers=north).status_code == 202
    assert_problem(client.post(south_url, json=BODY, headers=north), 403, "north-*")
    assert_problem(client.get("/api/v1/stations/south-1", headers=north), 403, "north-*")
    assert [s["name"] for s in client.get("/api/v1/stations", headers=north).json()] == ["north-1", "north-2"]
    assert {r["station"] for r in client.get("/api/v1/runs", headers=north).json()} == {"north-1"}
    assert_problem(client.get(south["href"], headers=north), 404)
    assert_problem(client.get("/api/v1/schedules", headers=north), 403, "all stations")


def test_a_request_names_stations_and_never_an_address(client: Client) -> None:
    """An instrument's address is no station, wherever it is put, and no answer shows one."""
    address = "TCPIP::127.0.0.1::20000::SOCKET"
    assert_problem(client.post(URL.replace("north-1", address), json=BODY), 404)
    for more in ({"scope": address}, {"serial": "socket://127.0.0.1:1"}, {"send": {"plan": address}}):
        assert client.post(URL, json={**BODY, **more}).status_code in (404, 422)
    schedule = {"cron": "0 7 * * *", "stations": [address], "kind": "echo-test", "send": {"plan": "short"}}
    assert_problem(client.put("/api/v1/schedules/x", json=schedule), 422)
    for path in ("/api/v1/stations", "/api/v1/stations/north-1", "/api/v1/runs", "/readyz"):
        shown = client.get(path).text
        assert "20000" not in shown
        assert "socket://" not in shown


def test_an_idempotency_key_is_its_owners(client: Client, wiring: Wiring) -> None:
    """Somebody else's key gives a run of one's own, never theirs."""
    key = {"Idempotency-Key": '"8e03978e-40d5-43e8-bc93-6894a57f9324"'}
    ada, grace = made(wiring, "submitter"), made(wiring, "submitter")
    runs = [client.post(URL, json=BODY, headers=who | key).json()["id"] for who in (ada, ada, grace, grace)]
    assert runs[0] == runs[1] != runs[2] == runs[3]


def test_too_many_requests_are_told_when_to_come_again(
    serve: Callable[[Wiring], Client], tmp_path: Path
) -> None:
    """429 with Retry-After (RFC 6585 4, RFC 9110 10.2.3), for this token only."""
    wiring = straw_wiring(tmp_path, rate_per_minute=3)
    client = serve(wiring)
    ada, grace = made(wiring, "viewer"), made(wiring, "viewer")
    answers = [client.get("/api/v1/plans", headers=ada) for _ in range(4)]
    assert [a.status_code for a in answers] == [200, 200, 200, 429]
    assert assert_problem(answers[3], 429)["type"] == "/problems/too-fast"
    assert 1 <= int(answers[3].headers["retry-after"]) <= 20
    assert client.get("/api/v1/plans", headers=grace).status_code == 200
    wrong = {"Authorization": "Bearer bwt_" + "A" * 43}
    assert [client.get("/api/v1/plans", headers=wrong).status_code for _ in range(4)] == [401, 401, 401, 429]
    assert client.get("/healthz").status_code == 200


def test_one_tokens_queue_has_an_end(serve: Callable[[Wiring], Client], tmp_path: Path) -> None:
    """A loop in one script does not fill the room's queues: 429 with Retry-After, others go on."""
    wiring = straw_wiring(tmp_path, worker=False)
    client = serve(wiring)
    ada, grace = made(wiring, "submitter"), made(wiring, "submitter")
    asked = range(MAY_WAIT["submitter"])
    codes = [client.post(URL, json=BODY, headers=ada).status_code for _ in asked]
    assert set(codes) == {202}
    full = client.post(URL.replace("north-1", "south-1"), json=BODY, headers=ada)
    assert assert_problem(full, 429, "wait already")["type"] == "/problems/own-queue-full"
    assert int(full.headers["retry-after"]) > 0
    assert client.post(URL, json=BODY, headers=grace).status_code == 202


def test_a_session_acts_from_our_own_pages_only(client: Client, wiring: Wiring) -> None:
    """A cookie goes along by itself, so the browser must say that one of our pages asks."""
    header = made(wiring, "operator")
    given = client.post("/api/v1/session", headers=header)
    assert given.status_code == 201
    cookie = given.headers["set-cookie"]
    assert all(word in cookie for word in ("HttpOnly", "SameSite=strict", "Path=/", "Max-Age=43200"))
    assert "Secure" not in cookie  # there is no TLS here
    assert client.cookies.get(COOKIE)
    assert client.get("/api/v1/session").json()["role"] == "operator"
    for strange in (
        {}, {"Origin": "http://127.0.0.1:9999"}, {"Origin": "null"}, {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "none"},
    ):  # fmt: skip
        assert_problem(client.post(URL, json=BODY, headers=strange), 403)
    for own in (ORIGIN, {"Sec-Fetch-Site": "same-origin"}):
        assert client.post(URL, json=BODY, headers=own).status_code == 202
    assert client.delete("/api/v1/session", headers=ORIGIN).status_code == 204
    assert_problem(client.delete("/api/v1/session", headers=header), 409)


def test_an_ended_session_opens_nothing(client: Client, wiring: Wiring) -> None:
    """Even for whoever kept the cookie."""
    made_here = client.post("/api/v1/session", headers=made(wiring, "viewer"))
    kept = made_here.cookies[COOKIE]
    client.delete("/api/v1/session", headers=ORIGIN)
    client.cookies.clear()
    again = client.get("/api/v1/runs", headers={"Cookie": f"{COOKIE}={kept}"})
    assert_problem(again, 401, "revoked")


def test_the_one_time_link_shuts_the_door_by_a_button(client: Client, wiring: Wiring) -> None:
    """Looking at the page uses nothing up; pressing gives the admin's session, once."""
    link = wiring.access.first_link("http://127.0.0.1")
    assert link is not None
    code = link.partition("code=")[2]
    for _ in range(2):
        page = client.get(link)
        assert 'method="post"' in page.text
    assert "form-action 'self'" in page.headers["content-security-policy"]
    assert "script" not in page.text
    assert client.get("/api/v1/stations").status_code == 200
    pressed = client.post("/enter", files={"code": (None, code)}, headers=ORIGIN)
    assert pressed.status_code == 200
    assert client.get("/api/v1/session").json()["role"] == "admin"
    client.cookies.clear()
    assert_problem(client.get("/api/v1/stations"), 401)
    assert_problem(client.post("/enter", files={"code": (None, code)}, headers=ORIGIN), 401, "used already")


def test_a_link_with_nonsense_in_it_stays_text(client: Client) -> None:
    """What comes in the address is shown as it is, never as markup."""
    page = client.get('/enter?code="><img src=x>')
    assert "<img" not in page.text
    assert_problem(client.get("/enter?code=" + "x" * 500), 422)


def test_every_change_stands_in_the_audit_before_it_is_answered(client: Client, wiring: Wiring) -> None:
    """Who, what, when, from where, with what outcome; refusals of known tokens too; questions not."""
    ada, boss = made(wiring, "submitter"), made(wiring, "admin")
    href = client.post(URL, json=BODY, headers=ada).headers["location"]
    client.get(href, headers=ada)
    client.post(URL, json={"send": {}}, headers=ada)
    client.post("/api/v1/tokens", json={"name": "x", "role": "viewer"}, headers=ada)
    client.post("/api/v1/tokens", json={"name": "x", "role": "viewer"})
    rows = client.get("/api/v1/audit", headers=boss).json()
    assert [(r["what"], r["outcome"]) for r in rows] == [
        ("POST /tokens", "403"),
        ("POST /stations/{station}/echo-tests", "422"),
        ("POST /stations/{station}/echo-tests", "202"),
    ]
    assert rows[2]["details"] == {"name": "a submitter", "role": "submitter", "made": href}
    assert (rows[2]["subject"], rows[2]["address"]) == (URL, "testclient")
    assert rows[2]["who"] == wiring.access.tokens.all()[0].id
    page = client.get("/api/v1/audit?limit=2", headers=boss)
    following = page.headers["link"].split(";")[0].strip("<>")
    assert [r["number"] for r in page.json()] == [3, 2]
    assert [r["number"] for r in client.get(following, headers=boss).json()] == [1]


def test_a_change_that_cannot_be_written_down_is_not_answered_as_done(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503, and the words say that it may have been done."""

    def away(*_: object, **__: object) -> None:
        raise DatabaseAway("the database does not answer")

    monkeypatch.setattr(Audit, "add", away)
    answer = client.post(URL, json=BODY)
    assert_problem(answer, 503, "may have been done")
    assert answer.headers["retry-after"]


def test_secrets_show_nowhere(
    client: Client, wiring: Wiring, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """Not in logs, audit, errors, answers, or any file of the data folder."""
    caplog.set_level("DEBUG")
    boss, ada = made(wiring, "admin"), made(wiring, "submitter")
    href = client.post(URL, json=BODY, headers=ada).headers["location"]
    settled(client, href, ada)
    answers = [
        client.get(path, headers=who).text
        for who in (boss, ada, {"Authorization": ada["Authorization"] + "x"})
        for path in ("/api/v1/session", "/api/v1/tokens", "/api/v1/audit", href, "/nowhere")
    ]
    told = client.post("/api/v1/tokens", json={"name": "new", "role": "viewer"}, headers=boss).json()["token"]
    cookie = client.post("/api/v1/session", headers=boss).cookies[COOKIE]
    secrets = [told, cookie, *(who["Authorization"].split()[1] for who in (boss, ada))]
    wiring.store.database.close()
    files = [path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) > 3
    for secret in secrets:
        assert secret not in caplog.text
        assert not any(secret in answer for answer in answers)
        assert not any(secret.encode() in content for content in files)
