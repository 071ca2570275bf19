"""The summary goes out by mail and as a signed request, to real servers with their bad days."""

from __future__ import annotations

import email
import email.policy
import hashlib
import hmac
import json
import socket
import ssl
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.report.morning_text import morning_text
from service.room.mail import mail_of, send_mail
from service.room.morning_plan import Secret
from service.room.room import room_of
from service.room.sending import NeverMind, TryLater
from service.room.webhook import ID, SIGNATURE, TIMESTAMP, send_webhook, signature, verify
from service.store import RunStore
from tests.service.bench_of_straw import station
from tests.service.room.papers import Hands
from tests.service.room.receivers import (
    SECRET,
    Mailbox,
    Web,
    hook_to,
    mail_server,
    mail_to,
    silent_server,
    web_server,
)

ROOT = Path(__file__).parents[3]
DUE = datetime(2027, 1, 12, 7, 30, tzinfo=UTC)


@pytest.fixture
def clock() -> Hands:
    return Hands(DUE)


@pytest.fixture
def document(store: RunStore, clock: Hands) -> dict[str, Any]:
    return room_of(store, [station(), station("north-2")], clock).mornings.now(DUE)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[ssl.SSLContext, str]:
    """A server's context for 127.0.0.1, and the file that a client is to trust for it."""
    folder = tmp_path_factory.mktemp("tls")
    key, cert = folder / "key.pem", folder / "cert.pem"
    command = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "2",
        "-subj",
        "/CN=harbour",
    ]
    command += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)]
    subprocess.run(command, check=True, capture_output=True, timeout=30)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    return context, str(cert)


def test_a_mail_is_text_and_html_and_says_what_it_is(document: dict[str, Any]) -> None:
    """RFC 5322 headers once each, RFC 2046 alternatives with the plain one first, RFC 3834 for robots."""
    box = Mailbox()
    with mail_server(box) as port:
        assert send_mail(mail_to(port), "morning-2027-01-12-ab", document) is None
    (envelope,) = box.taken
    assert envelope.rcpt_tos == ["ida@harbour.example", "ben@harbour.example"]
    message = email.message_from_bytes(envelope.content, policy=email.policy.default)
    assert message["Subject"] == "Stations 2027-01-12: 0 of 2 stations are ready; 2 practice only."
    assert message["Message-ID"] == "<morning-2027-01-12-ab@harbour.example>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message.get_content_type() == "multipart/alternative"
    plain, page = message.iter_parts()
    assert (plain.get_content_type(), page.get_content_type()) == ("text/plain", "text/html")
    assert plain.get_content().replace("\r\n", "\n") == morning_text(document)
    assert "<h1>Stations on 2027-01-12, 07:30</h1>" in page.get_content()
    assert max(len(line) for line in envelope.content.split(b"\r\n")) <= 998  # RFC 5322 2.1.1


def test_hostile_words_make_no_header_of_their_own(document: dict[str, Any]) -> None:
    """A line end in what becomes the subject is a blank."""
    told = document | {"headline": "x\r\nBcc: everybody@harbour.example\r\n\r\nbody"}
    message = mail_of(mail_to(25), "m", told)
    assert message["Bcc"] is None
    assert str(message["Subject"]) == "Stations 2027-01-12: x Bcc: everybody@harbour.example body"


@pytest.mark.parametrize("implicit", [False, True], ids=["starttls", "tls"])
def test_mail_goes_over_tls_to_a_server_that_proves_itself_with_a_login(
    certificate: tuple[ssl.SSLContext, str], document: dict[str, Any], implicit: bool
) -> None:
    """The certificate is checked: an unknown one gets neither the password nor the mail."""
    context, trusted = certificate
    box = Mailbox()
    options: dict[str, Any] = {"security": "tls" if implicit else "starttls", "user": "benches"}
    options["password"] = Secret(env="BENCH_MAIL_PASSWORD")
    with mail_server(box, context, implicit=implicit, users=True) as port:
        with pytest.raises(TryLater, match="SSLCertVerificationError"):
            send_mail(mail_to(port, **options), "m", document, timeout_s=10)
        assert (box.users, box.taken) == ([], [])
        send_mail(mail_to(port, ca_file=trusted, **options), "m", document, timeout_s=10)
    assert (box.users, len(box.taken)) == (["benches"], 1)


def test_a_server_without_tls_gets_nothing_when_tls_is_asked_for(document: dict[str, Any]) -> None:
    """A password in the clear would be worse than no mail."""
    box = Mailbox()
    with mail_server(box) as port, pytest.raises(NeverMind, match="STARTTLS"):
        send_mail(mail_to(port, security="starttls"), "m", document)
    assert box.taken == []


BOTH = ("ida@harbour.example", "ben@harbour.example")
REFUSALS: dict[str, tuple[Callable[[], Mailbox], type[Exception] | None]] = {
    "busy": (lambda: Mailbox(answers=["451 later"]), TryLater),
    "never": (lambda: Mailbox(answers=["554 not from you"]), NeverMind),
    "nobody known": (lambda: Mailbox(refuse=dict.fromkeys(BOTH, "550 unknown")), NeverMind),
    "all full": (lambda: Mailbox(refuse=dict.fromkeys(BOTH, "452 full")), TryLater),
    "one unknown": (lambda: Mailbox(refuse={"ben@harbour.example": "550 unknown"}), None),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_what_a_mail_server_answers_decides_whether_it_is_tried_again(
    document: dict[str, Any], name: str
) -> None:
    """RFC 5321 4.2.1: 4yz for now, 5yz for good; some recipients are better than none."""
    make, error = REFUSALS[name]
    with mail_server(make()) as port:
        if error is None:
            assert send_mail(mail_to(port), "m", document) == "refused for ben@harbour.example"
            return
        with pytest.raises(error, match=r"mail server 127\.0\.0\.1"):
            send_mail(mail_to(port), "m", document)


def test_a_mail_server_that_is_away_or_silent_is_tried_later(document: dict[str, Any]) -> None:
    """Nobody listens; somebody listens and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        free = door.getsockname()[1]
    with pytest.raises(TryLater, match="ConnectionRefused"):
        send_mail(mail_to(free), "m", document)
    with silent_server() as port, pytest.raises(TryLater):
        send_mail(mail_to(port), "m", document, timeout_s=0.2)


def test_a_wrong_password_is_said_and_not_shown(
    certificate: tuple[ssl.SSLContext, str], document: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """535 is for good (RFC 4954 6); a secret that is not there is named by its place."""
    context, trusted = certificate
    options: dict[str, Any] = {"security": "starttls", "user": "benches", "ca_file": trusted}
    target = mail_to(1, password=Secret(env="BENCH_MAIL_PASSWORD"), **options)
    with mail_server(Mailbox(), context, users=True) as port:
        monkeypatch.setenv("BENCH_MAIL_PASSWORD", "Springtide")
        with pytest.raises(NeverMind, match="535") as caught:
            send_mail(mail_to(port, password=target.password, **options), "m", document)
        assert "Springtide" not in str(caught.value)
        monkeypatch.delenv("BENCH_MAIL_PASSWORD")
        with pytest.raises(NeverMind, match="environment variable BENCH_MAIL_PASSWORD"):
            send_mail(mail_to(port, password=target.password, **options), "m", document)


def test_a_webhook_is_signed_so_that_the_receiver_can_tell(document: dict[str, Any]) -> None:
    """Computed anew here from the words of the scheme; HMAC itself by RFC 4231 case 2."""
    key, text = b"Jefe", b"what do ya want for nothing?"
    known = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.new(key, text, hashlib.sha256).hexdigest() == known
    web = Web()
    with web_server(web) as url:
        assert send_webhook(hook_to(url), "morning-2027-01-12-ab", document, DUE) is None
    (headers, body) = web.taken[0]
    seconds = str(int(DUE.timestamp()))
    assert (headers[ID], headers[TIMESTAMP]) == ("morning-2027-01-12-ab", seconds)
    signed = b"morning-2027-01-12-ab." + seconds.encode() + b"." + body
    expected = "v1=" + hmac.digest(SECRET.encode(), signed, "sha256").hex()
    assert headers[SIGNATURE] == expected
    assert json.loads(body) == {"type": "morning", "id": "morning-2027-01-12-ab", "morning": document}
    now = DUE.timestamp()
    assert verify(SECRET, headers, body, now + 299)
    assert not verify(SECRET, headers, body, now + 301)
    assert not verify(SECRET, headers, body + b" ", now)
    assert not verify("another", headers, body, now)
    assert not verify(SECRET, headers | {ID: "x"}, body, now)
    assert not verify(SECRET, {}, body, now)
    assert signature("a", "b", 1, b"") != signature("a", "b", 11, b"")


@pytest.mark.parametrize(
    ("status", "error"),
    [(200, None), (204, None), (302, NeverMind), (400, NeverMind), (401, NeverMind), (410, NeverMind),
     (408, TryLater), (429, TryLater), (500, TryLater), (503, TryLater)],
)  # fmt: skip
def test_what_a_receiver_answers_decides_whether_it_is_tried_again(
    document: dict[str, Any], status: int, error: type[Exception] | None
) -> None:
    """RFC 9110 15; a redirect is not followed: the signature was meant for this address."""
    web = Web(answers=[status])
    with web_server(web) as url:
        if error is None:
            assert send_webhook(hook_to(url), "m", document, DUE) is None
        else:
            with pytest.raises(error, match=str(status)):
                send_webhook(hook_to(url), "m", document, DUE)
    assert len(web.taken) == 1


def test_a_receiver_that_is_away_or_silent_is_tried_later(document: dict[str, Any]) -> None:
    """And one without a secret never."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        free = door.getsockname()[1]
    with pytest.raises(TryLater, match="Connect"):
        send_webhook(hook_to(f"http://127.0.0.1:{free}/"), "m", document, DUE)
    with silent_server() as port, pytest.raises(TryLater, match="Timeout"):
        send_webhook(hook_to(f"http://127.0.0.1:{port}/"), "m", document, DUE, timeout_s=0.2)
    with pytest.raises(NeverMind, match=r"the file .*nothing cannot be read"):
        send_webhook(hook_to("http://127.0.0.1:9/", secret=Secret(file="/nothing")), "m", document, DUE)
