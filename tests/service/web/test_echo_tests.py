"""The way of an echo test over HTTP, from the request to its evidence."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from service.hooks import RunHooks
from tests.service.bench_of_straw import StrawEchoTest, capture
from tests.service.web.conftest import Client

URL = "/api/v1/stations/north-1/echo-tests"


def settled(client: Client, href: str) -> dict[str, Any]:
    """Wait for the run's end by its events: the stream closes when there are no more."""
    client.get(f"{href}/events")
    run: dict[str, Any] = client.get(href).json()
    assert run["state"] in ("done", "cancelled", "error")
    return run


def ask(client: Client, **send: str) -> str:
    """Ask for an echo test; gives the run's address."""
    response = client.post(URL, json={"send": send or {"text": "Tide 7"}})
    assert response.status_code == 202, response.text
    return str(response.headers["Location"])


def test_an_echo_test_is_taken_on_at_once_and_its_run_has_an_address(client: Client) -> None:
    """202, the address in Location and in the body, state queued as it was when it was taken on."""
    response = client.post(URL, json={"send": {"text": "Tide 7"}})
    assert response.status_code == 202
    body = response.json()
    assert response.headers["Location"] == body["href"] == f"/api/v1/runs/{body['id']}"
    assert (body["state"], body["station"], body["kind"]) == ("queued", "north-1", "echo-test")


def test_a_done_run_carries_verdict_result_report_and_captures(client: Client) -> None:
    """All that contract.md section 6 promises of a run."""
    run = settled(client, ask(client))
    assert (run["state"], run["verdict"]) == ("done", "pass")
    assert run["result"] == {"schema": 1, "verdict": "pass", "criteria": [], "findings": []}
    assert [(c["name"], c["number"], c["label"]) for c in run["captures"]] == [("0", 0, "shot 1")]
    report = client.get(run["report"])
    assert report.headers["content-type"].startswith("text/html")
    assert "1 shots" in report.text
    assert run["created_at"] <= run["started_at"] <= run["finished_at"]


@pytest.mark.parametrize(
    ("body", "payload"),
    [
        ({"send": {"text": "Tide 7"}}, b"Tide 7"),
        ({"send": {"text": "Ebbe ä"}}, "Ebbe ä".encode()),
        ({"send": {"hex": "4869"}}, b"Hi"),
        ({"hex": "48 69"}, b"Hi"),
        ({"send": {"plan": "all-values"}}, bytes(range(256))),
        ({"plan": "short"}, b"Tide 7"),
    ],
)
def test_text_hex_and_plan_all_say_what_is_sent(
    serve_straw: Callable[..., Client], body: dict[str, Any], payload: bytes
) -> None:
    """The station gets exactly the bytes that were asked for."""
    echo = StrawEchoTest()
    client = serve_straw(echo)
    settled(client, client.post(URL, json=body).headers["Location"])
    assert echo.seen == [("north-1", payload)]


@pytest.mark.parametrize("verdict", ["pass", "fail", "inconclusive"])
def test_the_verdict_of_the_result_is_the_verdict_of_the_run(
    serve_straw: Callable[..., Client], verdict: str
) -> None:
    """A failed test is a run that is done, not a run in error."""
    client = serve_straw(StrawEchoTest(verdict=verdict))
    run = settled(client, ask(client))
    assert (run["state"], run["verdict"]) == ("done", verdict)


def test_the_kept_capture_is_handed_out_byte_by_byte(client: Client) -> None:
    """npz is the file as it was kept."""
    run = settled(client, ask(client))
    response = client.get(run["captures"][0]["href"], params={"format": "npz"})
    assert response.status_code == 200
    kept = client.app.state.wiring.store.capture(run["id"], "0")  # type: ignore[attr-defined]
    assert response.content == kept.read_bytes()
    assert run["id"] in response.headers["content-disposition"]


def test_a_capture_is_handed_out_as_csv_and_vcd_too(client: Client) -> None:
    """csv: volts of every sample (RFC 4180 line ends); vcd: IEEE 1364 header and both lines."""
    run = settled(client, ask(client))
    href = run["captures"][0]["href"]
    csv = client.get(href, params={"format": "csv"})
    assert csv.headers["content-type"].startswith("text/csv")
    rows = [row for row in csv.text.split("\r\n") if row and not row.startswith("#")]
    assert rows[0] == "time_s,ch1_v,ch2_v"
    assert [float(v) for v in rows[1].split(",")] == pytest.approx([-4e-6, 1.52, 1.52])
    assert len(rows) == 9
    vcd = client.get(href, params={"format": "vcd"}).text
    assert "$enddefinitions $end" in vcd
    assert "ch1" in vcd
    assert "ch2" in vcd


def test_capture_n_is_shot_n_of_the_result_document_and_looks_have_their_own_names(
    serve_straw: Callable[..., Client],
) -> None:
    """What was looked at before the payload was sent must not be taken for the evidence of shot 0."""

    class LooksFirst(StrawEchoTest):
        def _work(self, hooks: RunHooks) -> dict[str, Any]:
            hooks.keep(replace(capture(), taken_at="2027-01-12T06:31:07Z"), "idle look 1")
            return super()._work(hooks)

    client = serve_straw(LooksFirst())
    run = settled(client, ask(client))
    assert [(c["name"], c["number"], c["label"]) for c in run["captures"]] == [
        ("0", 0, "shot 1"),
        ("look-0", None, "idle look 1"),
    ]
    assert [c["href"].rsplit("/", 1)[1] for c in run["captures"]] == ["0", "look-0"]
    store = client.app.state.wiring.store  # type: ignore[attr-defined]
    taken = [kept.path.read_bytes() for kept in store.kept(run["id"])]
    assert taken[0] != taken[1]
    assert [client.get(c["href"]).content for c in run["captures"]] == [taken[1], taken[0]]
    assert client.get(f"/api/v1/runs/{run['id']}/captures/1").status_code == 404


def test_a_kept_capture_that_was_changed_is_not_handed_out_as_true(client: Client) -> None:
    """The seal of the file is checked before volts are made of it."""
    run = settled(client, ask(client))
    path = client.app.state.wiring.store.capture(run["id"], "0")  # type: ignore[attr-defined]
    path.write_bytes(path.read_bytes()[:-200])
    assert client.get(run["captures"][0]["href"], params={"format": "csv"}).status_code == 422


def test_events_tell_the_way_of_a_run_and_end(client: Client) -> None:
    """Numbered from 1 without gaps; the last one is `end` with the verdict."""
    href = ask(client)
    events = parse_events(client.get(f"{href}/events").text)
    assert [e["id"] for e in events] == [str(n) for n in range(1, len(events) + 1)]
    assert [e["event"] for e in events] == ["state", "state", "progress", "capture", "state", "end"]
    assert events[-1]["data"]["verdict"] == "pass"


def test_a_broken_stream_is_taken_up_after_the_last_event_seen(client: Client) -> None:
    """Last-Event-ID: nothing twice, nothing lost."""
    href = ask(client)
    whole = parse_events(client.get(f"{href}/events").text)
    rest = parse_events(client.get(f"{href}/events", headers={"Last-Event-ID": "3"}).text)
    assert rest == whole[3:]


def test_who_has_seen_the_end_is_sent_away_for_good(client: Client) -> None:
    """204 makes an EventSource stop reconnecting (HTML standard, section on server-sent events)."""
    href = ask(client)
    last = parse_events(client.get(f"{href}/events").text)[-1]["id"]
    assert client.get(f"{href}/events", headers={"Last-Event-ID": last}).status_code == 204


def test_a_run_at_work_can_be_stopped(serve_straw: Callable[..., Client]) -> None:
    """It ends as cancelled, says why, and has no verdict."""
    echo = StrawEchoTest(gated=True)
    client = serve_straw(echo)
    href = ask(client)
    echo.wait_at_work()
    assert client.post(f"{href}/cancel").status_code == 202
    run = settled(client, href)
    assert (run["state"], run["verdict"], run["result"]) == ("cancelled", None, None)


def test_a_waiting_run_is_stopped_before_it_begins(serve_straw: Callable[..., Client]) -> None:
    """The queue shows it no more, and the station never sees it."""
    echo = StrawEchoTest(gated=True)
    client = serve_straw(echo)
    first = ask(client)
    echo.wait_at_work()
    second = ask(client)
    station = client.get("/api/v1/stations/north-1").json()
    assert station["state"] == "busy"
    assert station["running"] == first.rsplit("/", 1)[1]
    assert station["queue"] == [second.rsplit("/", 1)[1]]
    assert client.post(f"{second}/cancel").json()["state"] == "cancelled"
    assert client.get("/api/v1/stations/north-1").json()["queue"] == []
    echo.let_go.release()
    assert settled(client, first)["state"] == "done"
    assert len(echo.seen) == 1


def test_a_finished_run_cannot_be_stopped(client: Client) -> None:
    """409, and the words say what it is."""
    href = ask(client)
    settled(client, href)
    response = client.post(f"{href}/cancel")
    assert response.status_code == 409
    assert "done" in response.json()["detail"]


def test_runs_are_listed_newest_first_and_page_by_page(client: Client) -> None:
    """RFC 8288: the Link header leads to the next page until there is none."""
    hrefs = [ask(client) for _ in range(5)]
    for href in hrefs:
        settled(client, href)
    url: str | None = "/api/v1/runs?limit=2&station=north-1"
    pages: list[list[str]] = []
    while url is not None:
        response = client.get(url)
        pages.append([run["href"] for run in response.json()])
        url = response.links.get("next", {}).get("url")
    assert [len(page) for page in pages] == [2, 2, 1]
    assert [href for page in pages for href in page] == hrefs[::-1]


def test_filters_narrow_the_list(serve_straw: Callable[..., Client]) -> None:
    """station, kind, state, verdict and since, each on its own and an empty list when nothing fits."""
    client = serve_straw(StrawEchoTest(verdict="fail"))
    href = ask(client)
    run = settled(client, href)

    def ids(**query: str) -> list[str]:
        return [r["id"] for r in client.get("/api/v1/runs", params=query).json()]

    for yes in ({"station": "north-1"}, {"kind": "echo-test"}, {"state": "done"}, {"verdict": "fail"},
                {"since": run["created_at"]}, {"since": "2020-01-01"}):  # fmt: skip
        assert ids(**yes) == [run["id"]], yes
    for no in ({"station": "north-2"}, {"kind": "check"}, {"state": "queued"}, {"verdict": "pass"},
               {"since": "2999-01-01T00:00:00Z"}):  # fmt: skip
        assert ids(**no) == [], no


def test_stations_and_plans_are_listed(client: Client) -> None:
    """In the order of the stations file; a plan with its bytes."""
    stations = client.get("/api/v1/stations").json()
    assert [s["name"] for s in stations] == ["north-1", "north-2", "south-1"]
    assert all(s["state"] == "free" and s["queue"] == [] and s["last_check"] is None for s in stations)
    plans = {p["name"]: p["payload_hex"] for p in client.get("/api/v1/plans").json()}
    assert bytes.fromhex(plans["short"]) == b"Tide 7"


def parse_events(text: str) -> list[dict[str, Any]]:
    """A reader of event streams, as simple as the format (HTML standard 9.2.6): fields, blank line, next."""
    events = []
    for block in text.strip().split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if not line.startswith(":"))
        if fields:
            events.append({**fields, "data": json.loads(fields["data"])})
    return events
