"""The inventory over HTTP: every step of a thing's life, and what hostile labels become."""

from __future__ import annotations

from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/items"


def test_a_thing_is_made_placed_taken_out_and_noted(client: Client) -> None:
    """What one call changes, the next one shows."""
    made = client.post(URL, json={"id": "P-07", "kind": "probe", "label": "black clip"})
    assert made.status_code == 201, made.text
    assert (made.json()["state"], made.json()["awaits_check"]) == ("practice-only", True)
    placed = client.put(f"{URL}/P-07/place", json={"station": "north-1", "line": "to_target"}).json()
    assert (placed["placement"]["station"], placed["placement"]["channel"]) == ("north-1", "1")
    assert [i["id"] for i in client.get(f"{URL}?station=north-1&kind=probe").json()] == ["P-07"]
    out = client.put(f"{URL}/P-07/state", json={"state": "out", "because": "clip arced"}).json()
    assert out["state"] == "out"
    back = client.put(f"{URL}/P-07/state", json={"state": "in-use", "because": "new clip"}).json()
    assert (back["state"], back["awaits_check"]) == ("practice-only", True)
    note = client.post(f"{URL}/P-07/notes", json={"text": "cable <i>stiff</i>"})
    assert (note.status_code, note.json()["text"]) == (201, "cable <i>stiff</i>")
    assert client.delete(f"{URL}/P-07/place").json()["placement"] is None
    shown = client.get(f"{URL}/P-07").json()
    assert [e["what"] for e in shown["log"]] == ["taken-away", "note", "state", "state", "placed", "made"]
    assert shown["placements"][0]["until"] is not None


def test_what_cannot_be_is_refused_in_the_one_shape(client: Client) -> None:
    """404 names, 409 what is there already, 422 words that are none."""
    client.post(URL, json={"id": "P-07", "kind": "probe"})
    assert_problem(client.post(URL, json={"id": "P-07", "kind": "probe"}), 409, "P-07")
    assert_problem(client.post(URL, json={"id": "a/b", "kind": "probe"}), 422)
    assert_problem(client.post(URL, json={"id": "C-1", "kind": "cable"}), 422)
    assert_problem(client.put(f"{URL}/P-99/place", json={"station": "north-1", "line": "to_target"}), 404)
    assert_problem(client.put(f"{URL}/P-07/place", json={"station": "north-9", "line": "to_target"}), 404)
    assert_problem(client.put(f"{URL}/P-07/place", json={"station": "north-1"}), 422, "line")
    assert_problem(client.put(f"{URL}/P-07/state", json={"state": "out"}), 422, "because")
    assert_problem(client.get(f"{URL}?state=lost"), 422)
