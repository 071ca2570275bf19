"""What stands between the guard and the routes: who asks, whether they may, and the record of changes."""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass
from urllib.parse import urlsplit

import anyio
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.access.access import Access, Credentials
from service.access.caller import Caller
from service.errors import BadQuery, DatabaseAway, Denied, NotAllowed, ServiceError, StoreFailed, UnknownRun
from service.logs import about
from service.store import RunStore
from service.web.problems import own_problem
from service.web.rules import SAFE_METHODS, Rule, Rules

log = logging.getLogger(__name__)

CALLER = "benchwarden.caller"
RULE = "benchwarden.rule"
COOKIE = "benchwarden-session"
BEARER = re.compile(r"(?i:bearer) +([A-Za-z0-9._~+/-]+=*) *")
"""RFC 6750 2.1: the scheme in any case, then b64token."""
PASSED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")


@dataclass(frozen=True)
class Door:
    """ASGI middleware."""

    app: ASGIApp
    access: Access
    store: RunStore
    rules: Rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        rule, names = self.rules.of(
            request.method, scope["path"]
        )  # as the router sees it: url.path ends at ? #
        scope[RULE] = rule
        with about(names.get("run_id"), names.get("station")):
            await self._answer(request, rule, names, scope, receive, send)

    async def _answer(
        self,
        request: Request,
        rule: Rule | None,
        names: dict[str, str],
        scope: Scope,
        receive: Receive,
        send: Send,
    ) -> None:
        if rule is not None and rule.right is None:
            await self.app(scope, receive, send)
            return
        caller: Caller | None = None
        try:
            caller = await anyio.to_thread.run_sync(self._caller, request)
            scope[CALLER] = caller
            request.state.who, request.state.owner = caller.words, caller.owner
            if rule is not None:
                await anyio.to_thread.run_sync(self._require, request, caller, rule, names)
            answer: ASGIApp = self.app
        except Exception as error:  # noqa: BLE001 - becomes the answer, as an error inside a route does
            more = {"missing": ["the database"]} if isinstance(error, DatabaseAway) else {}
            answer = await own_problem(request, self._for_strangers(error, caller), **more)
            if isinstance(error, Denied):
                who = caller.words if caller else "somebody"
                log.info("%s %s of %s refused: %s", request.method, request.url.path, who, error)
        if caller is not None and rule is not None and rule.audited:
            send = _Recorded(self.access, request, caller, rule, send).send
        await answer(scope, receive, send)

    def _for_strangers(self, error: Exception, caller: Caller | None) -> Exception:
        """Where the database is, and as whom it is asked, is for the log where other hosts come in."""
        stranger = caller is None and not self.access.may_be_open
        if not stranger or not isinstance(error, (DatabaseAway, StoreFailed)):
            return error
        log.warning("%s", error)
        return type(error)("who asks cannot be looked up just now; the log of the service says why")

    def _caller(self, request: Request) -> Caller:
        return self.access.caller(credentials_of(request))

    def _require(self, request: Request, caller: Caller, rule: Rule, names: dict[str, str]) -> None:
        """Raises NotAllowed, UnknownRun."""
        assert rule.right is not None
        if caller.by_cookie and request.method not in SAFE_METHODS and not _own_page(request):
            raise NotAllowed(
                "a session changes things from our own pages only: this request does not say that it is from "
                "one (Origin, Sec-Fetch-Site); scripts use a token"
            )
        reach = caller.may(rule.right)
        if reach == "no":
            raise NotAllowed(f"a {caller.role} may not {request.method} {request.url.path}")
        if rule.reach == "whole" and caller.stations is not None:
            raise NotAllowed(f"this concerns all stations; your token is for {', '.join(caller.stations)}")
        if "station" in names and not caller.reaches(names["station"]):
            raise NotAllowed(
                f"station {names['station'][:80]!r} is none of those that your token is for: "
                f"{', '.join(caller.stations or ())}"
            )
        if "run_id" in names:
            self._require_run(caller, rule.right, names["run_id"])

    def _require_run(self, caller: Caller, right: str, run_id: str) -> None:
        """A run that the caller does not see is not there, in the very words of one that is not."""
        if caller.stations is None and caller.may("runs") == "all" and caller.may(right) == "all":
            return
        run = self.store.read(run_id)
        if not caller.sees(run):
            raise UnknownRun(f"no run {run_id[:80]!r}")
        if not caller.sees(run, right):
            raise NotAllowed(f"run {run_id} was asked for by somebody else: a {caller.role} leaves it alone")


@dataclass
class _Recorded:
    """An answer to a change goes out only after the change stands in the audit."""

    access: Access
    request: Request
    caller: Caller
    rule: Rule
    to: Send
    replaced: bool = False

    async def send(self, message: Message) -> None:
        if self.replaced:
            return
        if message["type"] == "http.response.start":
            try:
                await anyio.to_thread.run_sync(self._write, message)
            except ServiceError as error:
                self.replaced = True
                told = type(error)(f"what was asked for may have been done, but is not in the audit: {error}")
                answer: Response = await own_problem(self.request, told)
                await answer(self.request.scope, self.request.receive, self.to)
                return
        await self.to(message)

    def _write(self, message: Message) -> None:
        client = self.request.client
        made = Headers(raw=message["headers"]).get("location")
        details = {"name": self.caller.name, "role": self.caller.role} | ({"made": made} if made else {})
        self.access.audit.add(
            self.caller.id,
            self.rule.call,
            self.request.url.path,
            address=client.host if client else "",
            outcome=str(message["status"]),
            **details,
        )


def credentials_of(request: Request) -> Credentials:
    """BadQuery when the Authorization header is a bearer's and yet none (RFC 6750 3.1, invalid_request)."""
    header = request.headers.get("authorization", "")
    found = BEARER.fullmatch(header)
    if found is None and header.lower().split(" ")[0] == "bearer":
        raise BadQuery("the Authorization header must be: Bearer TOKEN")
    return Credentials(
        bearer=found.group(1) if found else None,
        cookie=request.cookies.get(COOKIE),
        address=request.client.host if request.client else "",
        passed_on=any(name in request.headers for name in PASSED_ON),
    )


def _own_page(request: Request) -> bool:
    """The browser itself says that one of our pages asks; the guard has refused those that say otherwise."""
    origin = request.headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc == request.headers.get("host")
    return request.headers.get("sec-fetch-site") == "same-origin"
