"""A service that other machines can reach: tokens first, its own names, proxies that are believed, TLS."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.access.tokens import Tokens
from service.errors import BadSettings, DatabaseAway
from service.web.serving import serve, serving
from tests.service.bench_of_straw import straw_wiring
from tests.service.web.test_echo_tests import URL

BODY = {"send": {"text": "Tide 7"}}


@pytest.mark.parametrize(
    "given", [{"host": "0.0.0.0"}, {"names": "bench.example.org"}, {"proxies": "127.0.0.1"}]
)
def test_it_does_not_start_before_there_is_a_token(tmp_path: Path, given: dict[str, Any]) -> None:
    """A revoked one does not count: nobody could come in."""
    wiring = straw_wiring(tmp_path, **given)
    token, _ = wiring.access.tokens.make("boss", "admin", by="test")
    wiring.access.tokens.revoke(token.id)
    with pytest.raises(BadSettings, match="benchwarden token make"):
        serve(wiring.settings, wiring=wiring)
    wiring.close()


def test_it_lets_nobody_in_without_a_token_and_answers_to_its_own_names(tmp_path: Path) -> None:
    """By any IP address and the names of the setting; a stranger's name that leads here is refused."""
    wiring = straw_wiring(tmp_path, host="0.0.0.0", names="bench.example.org")
    boss = {"Authorization": f"Bearer {wiring.access.tokens.make('boss', 'admin', by='test')[1]}"}
    with (
        serving(wiring) as url,
        httpx.Client(base_url=url.replace("0.0.0.0", "127.0.0.1"), timeout=20) as client,
    ):
        assert client.get("/api/v1/stations").status_code == 401
        for host, status in (("192.0.2.7:8320", 200), ("bench.example.org", 200), ("bench.example.com", 421)):
            assert client.get("/api/v1/stations", headers={**boss, "Host": host}).status_code == status, host


@pytest.mark.parametrize(("names", "told"), [("bench.example.org", False), ("", True)])
def test_where_the_database_is_stands_in_the_log_and_not_in_what_strangers_read(
    tmp_path: Path, names: str, told: bool, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its address and user help whoever should not be let in; on loopback they help the person who asks."""
    words = 'connection to server at "db.example", port 5432 failed: no such user "bench"'
    wiring = straw_wiring(tmp_path, names=names)
    boss = {"Authorization": f"Bearer {wiring.access.tokens.make('boss', 'admin', by='test')[1]}"}
    with serving(wiring) as url, httpx.Client(base_url=url, timeout=20, headers=boss) as client:
        assert client.get("/api/v1/stations").status_code == 200

        def away(*_: object) -> None:
            raise DatabaseAway(words)

        with monkeypatch.context() as gone, caplog.at_level("WARNING"):
            gone.setattr(Tokens, "find", away)
            answer = client.get("/api/v1/stations")
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/database-away")
    assert answer.headers["retry-after"]
    assert (words in answer.json()["detail"], words in caplog.text) == (told, not told)


@pytest.mark.parametrize(("proxies", "seen"), [("127.0.0.1", "192.0.2.7"), ("192.0.2.1", "127.0.0.1")])
def test_a_proxys_word_about_the_address_counts_only_when_the_proxy_is_believed(
    tmp_path: Path, proxies: str, seen: str
) -> None:
    """Else whoever asks could write any address into the audit."""
    wiring = straw_wiring(tmp_path, proxies=proxies)
    boss = {"Authorization": f"Bearer {wiring.access.tokens.make('boss', 'admin', by='test')[1]}"}
    passed_on = {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https"}
    with serving(wiring) as url, httpx.Client(base_url=url, timeout=20, headers=boss | passed_on) as client:
        client.post(URL, json=BODY)
        assert client.get("/api/v1/audit").json()[0]["address"] == seen
        cookie = client.post("/api/v1/session").headers["set-cookie"]
        assert ("Secure" in cookie) == (proxies == "127.0.0.1")


def test_it_speaks_tls_itself(tmp_path: Path, need: Callable[[bool, str], None]) -> None:
    """With a certificate and its key in PEM files; cookies are then Secure."""
    need(shutil.which("openssl") is not None, "openssl is not installed")
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)],
        check=True, capture_output=True, timeout=50,
    )  # fmt: skip
    wiring = straw_wiring(tmp_path, tls_cert=cert, tls_key=key)
    boss = {"Authorization": f"Bearer {wiring.access.tokens.make('boss', 'admin', by='test')[1]}"}
    trust = ssl.create_default_context(cafile=str(cert))
    with serving(wiring) as url, httpx.Client(base_url=url, timeout=20, verify=trust, headers=boss) as client:
        assert url.startswith("https://127.0.0.1:")
        assert client.get("/readyz").json()["status"] == "ready"
        assert "Secure" in client.post("/api/v1/session").headers["set-cookie"]
