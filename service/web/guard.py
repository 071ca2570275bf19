"""What stands before every route: who may speak to a service on loopback, in which form, how much.

Loopback alone keeps out other machines, not other pages: a browser here runs scripts of strangers.
- Host: a name of theirs that points at 127.0.0.1 must not open our door (DNS rebinding).
- Origin, Sec-Fetch-Site: a form or script of another page must not start or stop runs (cross-site request).
- Content-Type: a body is JSON, or multipart where files are taken.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
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
    json_max_bytes: int
    upload_max_bytes: int
    upload_paths: frozenset[str]
    """Where files are taken, as multipart bodies."""
    form_paths: frozenset[str] = frozenset()
    """Where a page of ours sends a form, as multipart too and as short as JSON."""
    any_ip: bool = False
    """Whether every IP address may stand for the service: a page of a stranger always has a name."""

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

        request = Request(scope)
        refusal = self._refusal(request)
        await (refusal or self.app)(scope, self._counted(request, receive), send_guarded)

    def _counted(self, request: Request, receive: Receive) -> Receive:
        """A body whose length was not announced (or wrongly) is cut off where it grows too long."""
        limit, taken = self._limit(request), 0

        async def counting() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > limit:
                raise HTTPException(413)
            return message

        return counting

    def _limit(self, request: Request) -> int:
        return self.upload_max_bytes if request.scope["path"] in self.upload_paths else self.json_max_bytes

    def _refusal(self, request: Request) -> Response | None:
        path = request.scope["path"]
        name = _host_name(f"//{request.headers.get('host', '')}")
        if name not in self.hosts and not (self.any_ip and _is_ip(name)):
            shown, known = request.headers.get("host", "")[:80], ", ".join(sorted(self.hosts))
            return problem_response(
                421,
                f"this service is not called {shown!r} but {known}; more stand in its setting names",
                path,
            )
        twice = _given_twice(request)
        if twice:
            return problem_response(400, f"{twice} is given more than once", path)
        if request.method in SAFE_METHODS:
            return None
        if self._from_elsewhere(request):
            return problem_response(403, "requests that a page of another site makes are not taken", path)
        if _has_body(request) and not self._right_type(request):
            wanted = "multipart/form-data" if self._takes_form(path) else "application/json"
            got = request.headers.get("content-type", "none")[:80]
            return problem_response(415, f"the body must come as {wanted}, its Content-Type was {got}", path)
        if _announced_length(request) > self._limit(request):
            return problem_response(413, f"the body is larger than {self._limit(request)} bytes", path)
        return None

    def _from_elsewhere(self, request: Request) -> bool:
        if request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return True
        origin = request.headers.get("origin")
        return origin is not None and urlsplit(origin).netloc != request.headers.get("host")

    def _right_type(self, request: Request) -> bool:
        kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
        if self._takes_form(request.scope["path"]):
            return kind == "multipart/form-data"
        return kind == "application/json" or (kind.startswith("application/") and kind.endswith("+json"))

    def _takes_form(self, path: str) -> bool:
        return path in self.upload_paths or path in self.form_paths


def _is_ip(name: str | None) -> bool:
    try:
        ipaddress.ip_address(name or "")
    except ValueError:
        return False
    return True


def _host_name(address: str) -> str | None:
    """The name without port and brackets, None when it is no address."""
    try:
        return urlsplit(address).hostname
    except ValueError:
        return None


def _given_twice(request: Request) -> str | None:
    """A key of the query or an Idempotency-Key of which nobody could say which one counts."""
    names = [name for name, _ in request.query_params.multi_items()]
    doubled = next((f"query {name[:60]!r}" for name in names if names.count(name) > 1), None)
    keys = len(request.headers.getlist("idempotency-key"))
    return doubled or ("the header Idempotency-Key" if keys > 1 else None)


def _announced_length(request: Request) -> int:
    length = request.headers.get("content-length", "0")
    return int(length) if length.isascii() and length.isdigit() else 0


def _has_body(request: Request) -> bool:
    return request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
