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
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.report.morning_text import morning_text
from service.room.mail import mail_of, send_mail
from service.room.morning_plan import MailTarget, MorningPlan, Secret, WebhookTarget
from service.room.outbox import FIRST_PAUSE_S, GIVE_UP, LEASE, Outbox
from service.room.room import room_of
from service.room.sending import NeverMind, TryLater
from service.room.webhook import ID, SIGNATURE, TIMESTAMP, send_webhook, signature, verify
from service.store import RunStore
from tests.service.bench_of_straw import station
from tests.service.room.papers import Hands
from tests.service.room.receivers import Mailbox, Web, mail_server, silent_server, web_server

ROOT = Path(__file__).parents[3]
DUE = datetime(2027, 1, 12, 7, 30, tzinfo=UTC)
PASSWORD, SECRET = "Ebbe und Flut", "Leuchtturm 7"


@pytest.fixture
def clock() -> Hands:
    return Hands(DUE)


@pytest.fixture
def document(store: RunStore, clock: Hands) -> dict[str, Any]:
    return room_of(store, [station(), station("north-2")], clock).mornings.now(DUE)


@pytest.fixture(autouse=True)
def secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCH_MAIL_PASSWORD", PASSWORD)
    monkeypatch.setenv("BENCH_SECRET", SECRET)


def mail_to(port: int, **more: Any) -> MailTarget:
    values = {"security": "none", "to": ("ida@harbour.example", "ben@harbour.example")} | more
    return MailTarget(
        name="teachers", sender="benches@harbour.example", host="127.0.0.1", port=port, **values
    )


def hook_to(url: str, **more: Any) -> WebhookTarget:
    return WebhookTarget(name="board", url=url, **({"secret": Secret(env="BENCH_SECRET")} | more))


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


def kept(store: RunStore, clock: Hands, *targets: MailTarget | WebhookTarget) -> tuple[MorningPlan, Outbox]:
    """A summary with its deliveries in the outbox."""
    plan = MorningPlan(at="07:30", to=targets)
    room = room_of(store, [station()], clock, plan)
    assert room.mornings.make_due() == "2027-01-12"
    return plan, room.outbox


def deliveries(store: RunStore, clock: Hands) -> list[tuple[str, str, int, str | None]]:
    told = room_of(store, [station()], clock).mornings.one("2027-01-12")["deliveries"]
    return [(d["target"], d["state"], d["attempts"], d["last_error"]) for d in told]


def test_what_failed_is_tried_again_with_growing_pauses_and_sent_once(store: RunStore, clock: Hands) -> None:
    """Both ways; each has its own pace, and the same message id at each attempt."""
    box, web = Mailbox(answers=["451 later", "451 later"]), Web(answers=[503])
    with mail_server(box) as port, web_server(web) as url:
        _, outbox = kept(store, clock, mail_to(port), hook_to(url))
        assert outbox.work() == 0
        assert outbox.work() == 0  # not before its time
        assert len(web.taken) == 1
        clock.forward(seconds=FIRST_PAUSE_S)
        assert outbox.work() == 1  # the web server is back
        clock.forward(seconds=2 * FIRST_PAUSE_S)
        assert outbox.work() == 1
        clock.forward(hours=1)
        assert outbox.work() == 0
    assert deliveries(store, clock) == [("teachers", "sent", 3, None), ("board", "sent", 2, None)]
    assert len(box.taken) == 1
    assert {headers[ID] for headers, _ in web.taken} == {web.taken[0][0][ID]}


def test_what_was_refused_for_good_or_too_long_is_given_up_with_the_reason(
    store: RunStore, clock: Hands
) -> None:
    """At once for the one, after a day for the other; the log and the summary say why."""
    box, web = Mailbox(answers=["554 not from you"]), Web(answers=[503] * 100)
    with mail_server(box) as port, web_server(web) as url:
        _, outbox = kept(store, clock, mail_to(port), hook_to(url))
        outbox.work()
        while clock.now < DUE + GIVE_UP:
            clock.forward(minutes=61)
            outbox.work()
    mail, hook = deliveries(store, clock)
    assert (mail[1], mail[2]) == ("given-up", 1)
    assert "554 not from you" in str(mail[3])
    assert (hook[1], hook[3]) == ("given-up", "it answered 503")
    assert 20 < hook[2] < 30


def test_a_target_that_is_gone_from_the_stations_file_is_given_up(store: RunStore, clock: Hands) -> None:
    """Not sent to wherever it was."""
    kept(store, clock, mail_to(9))
    assert Outbox(store.database, MorningPlan(at="07:30"), clock).work() == 0
    assert deliveries(store, clock)[0][1] == "given-up"


def test_two_processes_send_it_once(store: RunStore, clock: Hands) -> None:
    """The second looks while the first is in the middle of sending."""
    web = Web()
    with web_server(web) as url:
        plan, first = kept(store, clock, hook_to(url))
        counts: list[int] = []

        def meanwhile(*arguments: Any) -> str | None:
            counts.append(first.work())
            return send_webhook(*arguments)

        counts.append(Outbox(store.database, plan, clock, meanwhile).work())
    assert (counts, len(web.taken)) == ([0, 1], 1)


DYING = """
import sys
from datetime import datetime, UTC
from service.database import Database
from service.room.morning_plan import MorningPlan, Secret, WebhookTarget
from service.room.outbox import Outbox
plan = MorningPlan(at="07:30", to=(WebhookTarget("board", sys.argv[2], Secret(env="BENCH_SECRET")),))
Outbox(Database(sys.argv[1]), plan, lambda: datetime(2027, 1, 12, 7, 30, tzinfo=UTC)).work()
"""


def test_a_process_that_dies_while_it_sends_leaves_it_to_the_next(
    store: RunStore, clock: Hands, database: str
) -> None:
    """kill -9 with the request under way: after the lease it is sent again, with the same message id."""
    web = Web()
    web.hold.clear()
    with web_server(web) as url:
        _, outbox = kept(store, clock, hook_to(url))
        child = subprocess.Popen([sys.executable, "-c", DYING, database, url], cwd=ROOT)
        try:
            assert web.came.acquire(timeout=40)
        finally:
            child.kill()
            child.wait()
        web.hold.set()
        assert outbox.work() == 0  # it may still be under way, as far as anybody knows
        clock.forward(seconds=LEASE.total_seconds())
        assert outbox.work() == 1
    assert deliveries(store, clock) == [("board", "sent", 2, None)]
    assert [headers[ID] for headers, _ in web.taken] == [web.taken[0][0][ID]] * 2


def test_a_stalled_server_keeps_neither_the_room_nor_the_end_of_the_service_waiting(
    tmp_path: Path, until_made: Callable[..., None]
) -> None:
    """The keeper looks after claims while the outbox hangs in a request."""
    from tests.service.bench_of_straw import straw_wiring

    web = Web()
    web.hold.clear()
    clock = Hands(DUE)
    with web_server(web) as url:
        plan = MorningPlan(at="07:30", to=(hook_to(url),))
        wiring = straw_wiring(tmp_path, more={"morning": plan, "clock": clock})
        wiring.room.presence.claim("north-1", "Ida", for_s=3600)
        wiring.start()
        try:
            assert web.came.acquire(timeout=20)
            clock.forward(hours=2)
            until_made(lambda: wiring.room.presence.history("north-1")[0].ended_because == "ran out")
        finally:
            web.hold.set()
            wiring.close()


@pytest.fixture
def until_made() -> Callable[[Callable[[], bool]], None]:
    """Look until it is so: the keeper's own thread does it."""

    def look(condition: Callable[[], bool]) -> None:
        end = time.monotonic() + 30
        while not condition():
            assert time.monotonic() < end
            time.sleep(0.02)

    return look
