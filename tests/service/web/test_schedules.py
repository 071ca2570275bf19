"""Schedules over HTTP: made, shown with their next moment, changed, removed."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/schedules/morning"
MORNING: dict[str, Any] = {
    "cron": "30 7 * * 1-5",
    "zone": "Europe/Berlin",
    "stations": ["north-*"],
    "kind": "echo-test",
    "send": {"plan": "short"},
}


def test_a_schedule_is_made_shown_changed_and_removed(client: Client) -> None:
    """PUT is both making and changing; the next moment is shown in UTC."""
    made = client.put(URL, json=MORNING)
    assert made.status_code == 200, made.text
    body = made.json()
    assert (body["name"], body["source"], body["missed"], body["enabled"]) == (
        "morning",
        "http",
        "skip",
        True,
    )
    assert body["next_at"].endswith(("05:30:00.000Z", "06:30:00.000Z"))  # summer and winter in Berlin
    assert client.get("/api/v1/schedules").json() == [body]
    off = client.put(URL, json=MORNING | {"enabled": False}).json()
    assert (off["enabled"], off["next_at"]) == (False, None)
    assert client.get(URL).json() == off
    assert client.delete(URL).status_code == 204
    assert_problem(client.get(URL), 404, "morning")
    assert_problem(client.delete(URL), 404, "morning")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cron": "at dawn"}, "30 7"),
        ({"zone": "Harbour"}, "Europe/Berlin"),
        ({"stations": ["east-*"]}, "east"),
        ({"stations": []}, "stations"),
        ({"send": {"text": "a", "hex": "61"}}, "exactly one"),
        ({"crno": "x"}, "crno"),
    ],
)
def test_nonsense_is_refused_at_the_door(client: Client, change: dict[str, Any], words: str) -> None:
    """422 with what would be right; nothing is kept."""
    assert_problem(client.put(URL, json=MORNING | change), 422, words)
    assert client.get("/api/v1/schedules").json() == []
