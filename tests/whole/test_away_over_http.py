"""A station whose scope is not there; alone in its file, since a process runs one service at a time."""

from __future__ import annotations

import time
from pathlib import Path

import httpx

from service.settings import read_settings
from service.web.serving import serving
from service.wiring import build
from tests.whole.over_http import STATIONS, finished


def test_a_scope_that_went_away_ends_the_run_with_an_error_and_the_service_goes_on(tmp_path: Path) -> None:
    """One clear sentence with the address; the next question is answered."""
    stations = tmp_path / "harbour.toml"
    stations.write_text(STATIONS.format(scope="TCPIP::127.0.0.1::9::SOCKET", serial="socket://127.0.0.1:9"))
    given = {"data": tmp_path / "data", "stations": stations, "port": 0, "locks": tmp_path / "locks"}
    begin = time.monotonic()
    with (
        serving(build(read_settings(given, {}))) as url,
        httpx.Client(base_url=f"{url}/api/v1", timeout=30) as client,
    ):
        asked = client.post("/stations/north-1/echo-tests", json={"send": {"hex": "41"}})
        run = finished(client, asked.headers["Location"].removeprefix("/api/v1"))
        assert run["state"] == "error"
        assert "127.0.0.1" in str(run["error"])
        assert client.get("/stations").status_code == 200
    assert time.monotonic() - begin < 30
