"""HEAD wherever GET is: the same answer without its body (RFC 9110 9.1 asks for both of a server)."""

from __future__ import annotations

from dataclasses import dataclass

import anyio
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send


@dataclass(frozen=True)
class HeadToo:
    """ASGI middleware."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
        elif scope["method"] != "HEAD":
            await self.app(scope, receive, _naming_head(send))
        else:
            await self._headers_only(scope, receive, send)

    async def _headers_only(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Ends with the headers: an answer may be long, or go on for as long as a run does."""
        async with anyio.create_task_group() as group:

            async def send_headers(message: Message) -> None:
                if message["type"] == "http.response.start":
                    await _naming_head(send)(message)
                    await send({"type": "http.response.body", "body": b""})
                    group.cancel_scope.cancel()

            await self.app({**scope, "method": "GET"}, receive, send_headers)


def _naming_head(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            allowed = [method.strip() for method in headers.get("allow", "").split(",")]
            if "GET" in allowed and "HEAD" not in allowed:
                headers["allow"] = ", ".join([*allowed, "HEAD"])
        await send(message)

    return sending
