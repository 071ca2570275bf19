"""Documents of the room as whoever asks likes them: page, JSON or plain text (RFC 9110 12.5.1)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Literal

from fastapi import Header, Query, Response
from fastapi.responses import JSONResponse

Format = Literal["html", "json", "text"]
TYPES: tuple[tuple[str, Format], ...] = (
    ("text/html", "html"),
    ("application/json", "json"),
    ("text/plain", "text"),
)
AskedFormat = Annotated[Format | None, Query(description="Before what Accept asks for.")]
Accept = Annotated[str, Header(description="JSON without it.")]
Render = Callable[[], str]


def wanted(accept: str) -> Format:
    """What the Accept header likes best of the three; JSON when it does not care."""
    best: tuple[float, Format] = (0.0, "json")
    for part in accept.split(","):
        kind, _, parameters = part.strip().partition(";")
        for known, name in TYPES:
            if kind.strip().lower() == known and (quality := _quality(parameters)) > best[0]:
                best = (quality, name)
    return best[1]


def _quality(parameters: str) -> float:
    for parameter in parameters.split(";"):
        name, _, value = parameter.strip().partition("=")
        if name.lower() == "q":
            try:
                return float(value)
            except ValueError:
                return 0.0
    return 1.0


def answer(
    document: Mapping[str, Any] | Sequence[Any], shown_as: Format, *, page: Render, text: Render, policy: str
) -> Response:
    """In that format; a page may do nothing but be shown, as its own `policy` says."""
    if shown_as == "html":
        whole = f"{policy}; frame-ancestors 'none'; sandbox"
        headers = {"Content-Security-Policy": whole, "Vary": "Accept"}
        return Response(page(), media_type="text/html; charset=utf-8", headers=headers)
    if shown_as == "text":
        plain = text()
        return Response(plain, media_type="text/plain; charset=utf-8", headers={"Vary": "Accept"})
    return JSONResponse(document, headers={"Vary": "Accept"})
