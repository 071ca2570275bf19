"""Real servers on loopback that take the summary: a mail server and a web server, with their bad days."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from service.room.morning_plan import MailTarget, Secret, WebhookTarget

PASSWORD, SECRET = "Ebbe und Flut", "Leuchtturm 7"


@dataclass
class Mailbox:
    """What a mail server took, and how it behaves: `answers` are given to DATA in turn, then 250."""

    answers: list[str] = field(default_factory=list)
    refuse: dict[str, str] = field(default_factory=dict)
    """By recipient."""
    taken: list[Any] = field(default_factory=list)
    users: list[str] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802 - the library's name
        self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any
    ) -> str:
        if address in self.refuse:
            return self.refuse[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        if self.answers:
            return self.answers.pop(0)
        self.taken.append(envelope)
        return "250 taken"

    def authenticate(self, _s: Any, _session: Any, _e: Any, _mechanism: str, data: Any) -> AuthResult:
        self.users.append(data.login.decode())
        return AuthResult(success=data.password == b"Ebbe und Flut", handled=False)


@contextmanager
def mail_server(
    box: Mailbox, context: ssl.SSLContext | None = None, *, implicit: bool = False, users: bool = False
) -> Iterator[int]:
    """Its port. With a context it speaks STARTTLS, or TLS from the first byte."""
    options: dict[str, Any] = {"authenticator": box.authenticate, "auth_required": users} if users else {}
    if implicit:
        options["ssl_context"] = context
        if users:
            # TLS is there already, below the protocol, which the library does not count
            options |= {"auth_require_tls": False, "auth_required": False}
    elif context is not None:
        options |= {"tls_context": context, "require_starttls": True}
    controller = Controller(box, hostname="127.0.0.1", port=0, **options)
    _bind_any_port(controller)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def _bind_any_port(controller: Any) -> None:
    """The library connects to its own port once it runs, and takes 0 for it."""
    trigger = controller._trigger_server

    def trigger_real() -> None:
        server: Any = controller.server
        controller.port = server.sockets[0].getsockname()[1]
        trigger()

    controller._trigger_server = trigger_real


@dataclass
class Web:
    """What a web server was sent, and how it answers: `answers` in turn, then 204."""

    answers: list[int] = field(default_factory=list)
    taken: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    came: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))
    hold: threading.Event = field(default_factory=threading.Event)
    """Cleared: every answer waits for it."""

    def __post_init__(self) -> None:
        self.hold.set()


@contextmanager
def web_server(web: Web) -> Iterator[str]:
    """Its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            web.taken.append((dict(self.headers.items()), body))
            web.came.release()
            web.hold.wait(30)
            status = web.answers.pop(0) if web.answers else 204
            try:
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", "/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()
            except OSError:
                self.close_connection = True  # whoever asked is gone

        def log_message(self, *_: Any) -> None:
            return None

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/benches"
    finally:
        web.hold.set()
        server.shutdown()
        thread.join(10)
        server.server_close()


@contextmanager
def silent_server() -> Iterator[int]:
    """Takes connections and says nothing."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as door:
        yield door.getsockname()[1]


def mail_to(port: int, **more: Any) -> MailTarget:
    values = {"security": "none", "to": ("ida@harbour.example", "ben@harbour.example")} | more
    return MailTarget(
        name="teachers", sender="benches@harbour.example", host="127.0.0.1", port=port, **values
    )


def hook_to(url: str, **more: Any) -> WebhookTarget:
    return WebhookTarget(name="board", url=url, **({"secret": Secret(env="BENCH_SECRET")} | more))
