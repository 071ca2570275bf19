"""The door: who makes a request, and whether the service is open to everybody on this machine.

| | somebody has made a token | nobody ever has |
|---|---|---|
| loopback, no proxy in front | a token or session for all | open: who is on this machine may do all |
| can be reached from elsewhere | a token or session for all | does not start |
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field

from service.access.audit import Audit
from service.access.caller import LOOPBACK, Caller
from service.access.links import Links
from service.access.rates import Rates
from service.access.tokens import SECRET, Token, Tokens
from service.database import Database
from service.errors import BadSettings, BadToken, NoToken, TooFast
from service.run_record import Clock, utc_now

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Credentials:
    """What a request brings along to say who makes it."""

    bearer: str | None
    cookie: str | None
    address: str
    passed_on: bool = False
    """A proxy says that it passes the request on for somebody else."""


@dataclass
class Access:
    """Tokens, sessions, links, the audit and the rates of one service."""

    database: Database
    clock: Clock = utc_now
    per_minute: float = 1200.0
    may_be_open: bool = True
    """False where others than this machine can come in."""
    tokens: Tokens = field(init=False)
    links: Links = field(init=False)
    audit: Audit = field(init=False)
    rates: Rates = field(init=False)
    _shut: bool = False

    def __post_init__(self) -> None:
        self.tokens = Tokens(self.database, self.clock)
        self.links = Links(self.database, self.clock)
        self.audit = Audit(self.database, self.clock)
        self.rates = Rates(self.per_minute)

    @property
    def is_open(self) -> bool:
        """Once shut it stays shut: when the last token is revoked, nobody gets in rather than everybody."""
        if not self._shut:
            self._shut = not self.may_be_open or self.tokens.ever()
        return not self._shut

    def caller(self, brought: Credentials) -> Caller:
        """Whoever asks.

        Raises:
            NoToken: nothing was brought and the door is shut. BadToken: what was brought opens nothing.
            TooFast: this caller, or this address with tokens that are none, asks too often.
        """
        if self.is_open:
            if brought.passed_on:
                raise NoToken(
                    "this request comes through a proxy, and the service has no tokens yet: make the first "
                    "one with `benchwarden token make NAME --role admin` where it runs"
                )
            return LOOPBACK
        secret = brought.bearer if brought.bearer is not None else brought.cookie
        if secret is None:
            self._slowly(f"address {brought.address}")
            raise NoToken("say who you are: Authorization: Bearer TOKEN; an admin can make you a token")
        token = self._living(secret, brought)
        self._slowly(token.parent or token.id)
        self.tokens.mark_used(token)
        return token.caller

    def why_out(self, brought: Credentials) -> str | None:
        """Why whoever was let in with these would not be let in now; None while they would. For answers that
        go on for a long time: nothing is counted, nothing noted.
        """
        if self.is_open:
            return None
        secret = brought.bearer if brought.bearer is not None else brought.cookie
        if secret is None:
            return "somebody has made a token since: say who you are"
        _token, because = self._looked_at(secret, brought)
        return None if because is None else f"this {_kind(brought)} {because}"

    def first_link(self, url: str) -> str | None:
        """Address of a page that opens the door once; None when the door is shut already."""
        return f"{url}/enter?code={self.links.make()}" if self.is_open else None

    def enter(self, code: str, address: str) -> tuple[Token, str]:
        """A session for whoever has the link's code: from now on the door is shut to all others. BadToken."""
        self._slowly(f"address {address}")
        self.links.use(code)
        token, secret = self.tokens.open_session(None, "the one-time link")
        self.audit.add(token.id, "one-time link used", token.id, address=address, outcome="session opened")
        return token, secret

    def require_tokens(self, host: str) -> None:
        """BadSettings where others could come in and no token lives that would keep them out."""
        if not self.may_be_open and not self.tokens.alive():
            raise BadSettings(
                f"host {host!r} (or a proxy) can be reached from elsewhere than this machine, and no "
                "token keeps strangers out: make one with `benchwarden token make NAME --role admin`, "
                "or listen on loopback (127.0.0.1, ::1, localhost) without names and proxies"
            )

    def _living(self, secret: str, brought: Credentials) -> Token:
        """Words about why a token is dead go only to whoever holds it."""
        token, because = self._looked_at(secret, brought)
        if token is not None and because is None:
            return token
        self._slowly(f"address {brought.address}")
        raise BadToken(f"this {_kind(brought)} {because}")

    def _looked_at(self, secret: str, brought: Credentials) -> tuple[Token | None, str | None]:
        """The token of that secret, if there is one, and why it opens nothing; None where it does."""
        token = self.tokens.find(secret) if SECRET.fullmatch(secret) else None
        if token is None:
            return None, "is not known here"
        because = token.why_dead(self.tokens.now)
        if because is None and (token.kind == "session") != (brought.bearer is None):
            because = "is no bearer token, or no session"
        if because is None and not self.tokens.living_parent(token):
            because = "ended with the token that it was made from"
        return token, because

    def _slowly(self, who: str) -> None:
        if wait_s := self.rates.wait_s(who):
            raise TooFast(f"more than {self.per_minute:g} requests in a minute; go on in {wait_s} s", wait_s)


def _kind(brought: Credentials) -> str:
    return "session" if brought.bearer is None else "token"
