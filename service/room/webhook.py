"""The morning summary to another program: one signed POST.

Scheme (common practice, no source): the body is JSON; headers are
    Benchwarden-Delivery: ID            the same at each attempt: what was taken already may be thrown away
    Benchwarden-Timestamp: SECONDS      since 1970, when this attempt was made
    Benchwarden-Signature: v1=HEX       HMAC-SHA256 (RFC 2104) over "ID.SECONDS." and the body, by the secret
Whoever receives it computes the same, compares in constant time, and refuses what is older than five minutes
(`verify` does all of that). 2xx takes it; 408, 425, 429, 5xx and silence are tried again, all else is not.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import ssl
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import httpx

from service.errors import BadSettings
from service.room.morning_plan import WebhookTarget
from service.room.plain import one_line
from service.room.sending import NeverMind, TryLater

TIMEOUT_S = 20.0
FRESH_S = 300.0
AGAIN = (408, 425, 429)
"""Refusals that are meant for now (RFC 9110 15.5.9, RFC 8470 5.2, RFC 6585 4); so are all of 5xx."""
ID, TIMESTAMP, SIGNATURE = "Benchwarden-Delivery", "Benchwarden-Timestamp", "Benchwarden-Signature"


def signature(secret: str, delivery: str, seconds: int, body: bytes) -> str:
    """As in the header."""
    signed = f"{delivery}.{seconds}.".encode() + body
    return "v1=" + hmac.new(secret.encode(), signed, hashlib.sha256).hexdigest()


def verify(secret: str, headers: Mapping[str, str], body: bytes, now_s: float) -> bool:
    """Whether the request is ours and fresh; header names as they are written above."""
    try:
        seconds = int(headers[TIMESTAMP])
        delivery, given = headers[ID], headers[SIGNATURE]
    except (KeyError, ValueError):
        return False
    expected = signature(secret, delivery, seconds, body)
    return hmac.compare_digest(expected.encode(), given.encode()) and abs(now_s - seconds) <= FRESH_S


def send_webhook(
    target: WebhookTarget,
    message_id: str,
    document: Mapping[str, Any],
    now: datetime,
    *,
    timeout_s: float = TIMEOUT_S,
) -> str | None:
    """Post it; None, as nothing remains to be said.

    Raises:
        TryLater, NeverMind.
    """
    told = {"type": "morning", "id": message_id, "morning": document}
    body = json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()
    seconds = int(now.timestamp())
    try:
        signed = signature(target.secret.read(), message_id, seconds, body)
    except BadSettings as error:
        raise NeverMind(str(error)) from None
    headers = {"Content-Type": "application/json", "User-Agent": "Benchwarden"}
    headers |= {ID: message_id, TIMESTAMP: str(seconds), SIGNATURE: signed}
    try:
        context = ssl.create_default_context(cafile=target.ca_file)
        with httpx.Client(
            timeout=timeout_s, follow_redirects=False, trust_env=False, verify=context
        ) as client:
            status = client.post(target.url, content=body, headers=headers).status_code
    except (httpx.HTTPError, OSError) as error:
        raise TryLater(f"{type(error).__name__}: {one_line(str(error))[:200]}") from None
    if 200 <= status <= 299:
        return None
    kind = TryLater if status in AGAIN or status >= 500 else NeverMind
    raise kind(f"it answered {status}")
