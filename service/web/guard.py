"""What stands before every route: who may speak to a service on loopback, and in which form.

Loopback alone keeps out other machines, not other pages: a browser here runs scripts of strangers.
- Host: a name of theirs that points at 127.0.0.1 must not open our door (DNS rebinding).
- Origin, Sec-Fetch-Site: a form or script of another page must not start or stop runs (cross-site request).
- Content-Type: a body is JSON, or multipart where files are taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.problems import HEADERS, problem_response

SAFE_METHODS = ("GET", "HEAD", "OPTIONS")


@dataclass(frozen=True)
class Guard:
    """ASGI middleware. `hosts` are the names under which the service may be addressed, with any port."""

    app: ASGIApp
    hosts: frozenset[str]
    upload_paths: frozenset[str]
    """Where multipart bodies are taken."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(Request(scope))
        await (refusal or self.app)(scope, receive, send_guarded)

    def _refusal(self, request: Request) -> Response | None:
        path = request.url.path
        if _host_name(f"//{request.headers.get('host', '')}") not in self.hosts:
            shown = request.headers.get("host", "")[:80]
            return problem_response(
                421, f"this service is not called {shown!r}; use 127.0.0.1 or localhost", path
            )
        if request.method in SAFE_METHODS:
            return None
        if self._from_elsewhere(request):
            return problem_response(403, "requests that a page of another site makes are not taken", path)
        if _has_body(request) and not self._right_type(request):
            wanted = "multipart/form-data" if path in self.upload_paths else "application/json"
            got = request.headers.get("content-type", "none")[:80]
            return problem_response(415, f"the body must come as {wanted}, its Content-Type was {got}", path)
        return None

    def _from_elsewhere(self, request: Request) -> bool:
        if request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return True
        origin = request.headers.get("origin")
        return origin is not None and urlsplit(origin).netloc != request.headers.get("host")

    def _right_type(self, request: Request) -> bool:
        kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
        if request.url.path in self.upload_paths:
            return kind == "multipart/form-data"
        return kind == "application/json" or (kind.startswith("application/") and kind.endswith("+json"))


def _host_name(address: str) -> str | None:
    """The name without port and brackets, None when it is no address."""
    try:
        return urlsplit(address).hostname
    except ValueError:
        return None


def _has_body(request: Request) -> bool:
    return request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
