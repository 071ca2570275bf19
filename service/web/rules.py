"""Every call with the right that it needs (service/access/roles.py) and how far it reaches.

A call without a row keeps the service from starting.

`reach` says what stops a token that is for some stations, or for its own runs, from seeing or doing more:
  named     the address names a station or run: the door holds it against the token
  filtered  the answer spans stations and runs: the route leaves out what the token does not reach
  nothing   nothing in it belongs to a station
  whole     it concerns the whole room: tokens for some stations are refused
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from service.web.models import BASE

Reach = Literal["named", "filtered", "nothing", "whole"]
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
NAMES = ("station", "run_id")
"""Parts of addresses that the door knows how to hold against a token."""


@dataclass(frozen=True)
class Rule:
    """One call."""

    call: str
    """Method and address, as the routes say it; /api/v1 left out."""
    right: str | None
    """None: anybody, without a token."""
    reach: Reach
    because: str = ""
    """Why anybody may, or why it is no change although its method is one of change."""
    harmless: bool = False
    """It changes nothing: the audit need not hold it."""

    @property
    def audited(self) -> bool:
        return not self.harmless and self.right is not None and self.call.split(" ")[0] not in SAFE_METHODS


RULES: tuple[Rule, ...] = (
    Rule("GET /healthz", None, "nothing", "whoever watches the process need not be trusted"),
    Rule("GET /enter", None, "nothing", "the page of the one-time link; shows the same to everybody"),
    Rule("POST /enter", None, "nothing", "the link's code says who it is; it writes its own audit row"),
    Rule("GET /problems/{name}", None, "nothing", "who was refused may read what the refusal means"),
    Rule("GET /readyz", "room", "whole"),
    Rule("GET /metrics", "room", "whole"),
    Rule("GET /openapi.json", "room", "nothing"),
    Rule("HEAD /openapi.json", "room", "nothing"),
    Rule("GET /stations", "room", "filtered"),
    Rule("GET /stations/{station}", "room", "named"),
    Rule("POST /stations/{station}/echo-tests", "ask", "named"),
    Rule("POST /stations/{station}/checks", "operate", "named"),
    Rule("GET /claims", "room", "whole"),
    Rule("GET /stations/{station}/claim", "room", "named"),
    Rule("PUT /stations/{station}/claim", "operate", "named"),
    Rule("DELETE /stations/{station}/claim", "operate", "named"),
    Rule("GET /stations/{station}/history", "room", "named"),
    Rule("GET /stations/{station}/baselines", "room", "named"),
    Rule("POST /stations/{station}/baselines", "operate", "named"),
    Rule("GET /comparison", "room", "whole"),
    Rule("GET /mornings", "room", "whole"),
    Rule("GET /mornings/{date}", "room", "whole"),
    Rule("GET /statistics", "room", "whole"),
    Rule("GET /plans", "room", "nothing"),
    Rule("GET /runs", "runs", "filtered"),
    Rule("GET /runs/{run_id}", "runs", "named"),
    Rule("GET /runs/{run_id}/events", "runs", "named"),
    Rule("GET /runs/{run_id}/cursors", "runs", "named"),
    Rule("GET /runs/{run_id}/captures/{name}", "runs", "named"),
    Rule("GET /runs/{run_id}/report", "runs", "named"),
    Rule("POST /runs/{run_id}/cancel", "steer", "named"),
    Rule("POST /runs/{run_id}/continue", "steer", "named"),
    Rule("POST /runs/{run_id}/move", "operate", "named"),
    Rule("POST /analyses", "ask", "nothing", "nothing is kept of it", harmless=True),
    Rule("GET /schedules", "room", "whole"),
    Rule("GET /schedules/{name}", "room", "whole"),
    Rule("PUT /schedules/{name}", "operate", "whole"),
    Rule("DELETE /schedules/{name}", "operate", "whole"),
    Rule("GET /items", "room", "whole"),
    Rule("POST /items", "operate", "whole"),
    Rule("GET /items/{item}", "room", "whole"),
    Rule("GET /items/{item}/history", "room", "whole"),
    Rule("PUT /items/{item}/place", "operate", "whole"),
    Rule("DELETE /items/{item}/place", "operate", "whole"),
    Rule("PUT /items/{item}/state", "operate", "whole"),
    Rule("POST /items/{item}/notes", "operate", "whole"),
    Rule("GET /session", "room", "nothing"),
    Rule("POST /session", "room", "nothing"),
    Rule("DELETE /session", "room", "nothing"),
    Rule("GET /tokens", "manage", "whole"),
    Rule("POST /tokens", "manage", "whole"),
    Rule("DELETE /tokens/{token_id}", "manage", "whole"),
    Rule("GET /audit", "manage", "whole"),
)


class Rules:
    """The rules of an app, in the order of its routes."""

    def __init__(self, calls: Iterable[tuple[str, str]], rules: Iterable[Rule] = RULES) -> None:
        """`calls`: (method, address with {names}) of all routes. RuntimeError for one without a row."""
        known = {rule.call: rule for rule in rules}
        self._rows: list[tuple[str, re.Pattern[str], Rule]] = []
        for method, address in calls:
            rule = known.get(f"{method} {address.removeprefix(BASE)}")
            if rule is None:
                raise RuntimeError(
                    f"{method} {address} has no row in service/web/rules.py: say there who may call it"
                )
            self._rows.append((method, _pattern(address), rule))

    def of(self, method: str, path: str) -> tuple[Rule | None, dict[str, str]]:
        """The rule of the first route that fits, and the names in the address; None: no such call."""
        for known, pattern, rule in self._rows:
            if known == method and (found := pattern.fullmatch(path)):
                return rule, found.groupdict()
        return None, {}


def _pattern(address: str) -> re.Pattern[str]:
    """As the router reads it: a name in braces stands for anything without a slash."""
    parts = re.split(r"\{(\w+)\}", address)
    return re.compile(
        "".join(f"(?P<{p}>[^/]+)" if n % 2 else re.escape(p) for n, p in enumerate(parts)), re.DOTALL
    )
