"""The page of the one-time link: a button that opens a session for this browser and shuts the door.

Looking at the page uses nothing up (browsers and chat programs look at links by themselves), pressing does.
"""

from __future__ import annotations

import html
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse

from service.access.links import MINUTES
from service.access.tokens import SESSION_HOURS
from service.web.dependencies import Parts, problems
from service.web.session import give_cookie

router = APIRouter(tags=["access"])

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    # with "no-referrer" a browser would not say that the form comes from this page (Fetch, Origin header)
    "Referrer-Policy": "same-origin",
}
CODE_MAX = 200
PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Benchwarden: {title}</title></head><body><main><h1>{title}</h1>
{body}
</main></body></html>
"""
BUTTON = """<p>So far everybody on this machine may do everything here, without a token. Press the button to
become the admin: this browser then holds a session for {hours:g} hours, and everybody else needs a token
from then on.</p>
<form method="post" action="/enter" enctype="multipart/form-data">
<input type="hidden" name="code" value="{code}"><button>Become the admin and shut the door</button></form>
<p>The link works once, within {minutes:g} minutes of its printing.</p>"""
DONE = """<p>This browser is the admin's until {until}. Make tokens for people and scripts before that time,
on this machine:</p><pre>benchwarden token make "my laptop" --role admin</pre>"""

HTML_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/html": {"example": "<!doctype html>..."}}}
}


@router.get(
    "/enter",
    summary="Page of the one-time link",
    response_class=HTMLResponse,
    responses=problems(422, known=HTML_ANSWER),
)
def show_entry(
    code: Annotated[
        str,
        Query(max_length=CODE_MAX, description="From the link that the start printed.", examples=["k3J..."]),
    ],
) -> Response:
    """A page with a button; it looks the same whether the code is worth anything or not."""
    body = BUTTON.format(code=html.escape(code, quote=True), hours=SESSION_HOURS, minutes=MINUTES)
    return HTMLResponse(PAGE.format(title="Shut the door", body=body), headers=HEADERS)


@router.post(
    "/enter",
    summary="Use the one-time link",
    response_class=HTMLResponse,
    responses=problems(401, 403, 413, 415, 422, 429, known=HTML_ANSWER),
)
def enter(
    code: Annotated[str, Form(max_length=CODE_MAX, examples=["k3J..."])], wiring: Parts, request: Request
) -> Response:
    """A session cookie for an admin. From now on every other request needs a token or a session."""
    token, secret = wiring.access.enter(code, request.client.host if request.client else "")
    body = DONE.format(until=html.escape(token.expires_at or ""))
    answer = HTMLResponse(PAGE.format(title="The door is shut", body=body), headers=HEADERS)
    give_cookie(answer, request, secret)
    return answer
