"""Presence over HTTP: a bench is taken, shown, made longer, given back."""

from __future__ import annotations

from tests.service.web.conftest import Client
from tests.service.web.test_echo_tests import settled
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/stations/north-1/claim"


def test_a_bench_is_taken_and_given_back(client: Client) -> None:
    """The station says who is there; a run that gives the claim's number is done, others wait."""
    assert_problem(client.get(URL), 404, "nobody is at north-1")
    claim = client.put(URL, json={"who": "Ida", "because": "class 3b", "for_s": 600}).json()
    assert (claim["who"], claim["clear"], claim["at_work"], claim["ended_at"]) == ("Ida", True, [], None)
    assert client.get("/api/v1/stations/north-1").json()["claimed_by"] == "Ida"
    assert [c["id"] for c in client.get("/api/v1/claims").json()] == [claim["id"]]
    echo = "/api/v1/stations/north-1/echo-tests"
    waiting = client.post(echo, json={"send": {"text": "Tide 7"}}).json()
    own = client.post(echo, json={"send": {"text": "Tide 7"}, "claim": claim["id"]}).json()
    assert settled(client, own["href"])["state"] == "done"
    assert client.get(waiting["href"]).json()["state"] == "queued"
    ended = client.delete(URL).json()
    assert ended["ended_because"].startswith("given back by")
    assert settled(client, waiting["href"])["state"] == "done"


def test_another_person_is_told_who_is_there(client: Client) -> None:
    """409, with the time until when; nonsense is 422."""
    client.put(URL, json={"who": "Ida"})
    problem = assert_problem(client.put(URL, json={"who": "Ben"}), 409, "Ida is at north-1 until")
    assert problem["type"] == "/problems/station-claimed"
    assert client.put(URL, json={"who": "Ida", "for_s": 60}).status_code == 200
    for wrong in ({"for_s": 0}, {"for_s": 1e9}, {"who": ""}, {"hours": 2}):
        assert_problem(client.put(URL, json=wrong), 422)
