"""The morning summary by e-mail: text and HTML in one message (RFC 5322, RFC 2046 5.1.4)."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Mapping
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Any

from service.errors import BadSettings
from service.report.morning_page import render_morning
from service.report.morning_text import morning_text
from service.room.morning_plan import MailTarget
from service.room.plain import one_line
from service.room.sending import NeverMind, TryLater

TIMEOUT_S = 20.0


def mail_of(target: MailTarget, message_id: str, document: Mapping[str, Any]) -> EmailMessage:
    """The message as it is sent. Headers are single lines whatever a station is called."""
    message = EmailMessage(policy=SMTP)
    message["Subject"] = one_line(f"Stations {document['date']}: {document['headline']}")[:200]
    message["From"] = target.sender
    message["To"] = ", ".join(target.to)
    message["Date"] = format_datetime(datetime.fromisoformat(document["made_at"]))
    message["Message-ID"] = f"<{message_id}@{target.sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence note shall answer it
    message.set_content(morning_text(document), cte="quoted-printable")
    message.add_alternative(render_morning(document), subtype="html", cte="quoted-printable")
    return message


def send_mail(
    target: MailTarget, message_id: str, document: Mapping[str, Any], *, timeout_s: float = TIMEOUT_S
) -> str | None:
    """Hand it to the server; a sentence when some of the recipients were refused.

    Raises:
        TryLater, NeverMind.
    """
    message = mail_of(target, message_id, document)
    try:
        with _connected(target, timeout_s) as server:
            refused = server.send_message(message, from_addr=target.sender, to_addrs=list(target.to))
    except BadSettings as error:
        raise NeverMind(str(error)) from None
    except smtplib.SMTPRecipientsRefused as error:
        codes = [code for code, _ in error.recipients.values()]
        raise _kind(min(codes))(
            f"{_where(target)} takes none of the recipients: it answered {min(codes)}"
        ) from None
    except smtplib.SMTPNotSupportedError as error:
        raise NeverMind(f"{_where(target)}: {one_line(str(error))[:200]}") from None
    except smtplib.SMTPResponseException as error:
        words = f"{_where(target)} answered {error.smtp_code} {_text(error.smtp_error)}"
        raise _kind(error.smtp_code)(words) from None
    except (OSError, smtplib.SMTPException) as error:
        raise TryLater(f"{_where(target)}: {type(error).__name__}: {one_line(str(error))[:200]}") from None
    if refused:
        return f"refused for {', '.join(sorted(refused))}"
    return None


def _connected(target: MailTarget, timeout_s: float) -> smtplib.SMTP:
    """Over TLS unless the stations file says none; the server's certificate is checked."""
    context = ssl.create_default_context(cafile=target.ca_file)
    if target.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(target.host, target.port, timeout=timeout_s, context=context)
    else:
        server = smtplib.SMTP(target.host, target.port, timeout=timeout_s)
    try:
        if target.security == "starttls":
            server.starttls(context=context)
        if target.user is not None and target.password is not None:
            server.login(target.user, target.password.read())
    except BaseException:
        server.close()
        raise
    return server


def _kind(code: int) -> type[NeverMind] | type[TryLater]:
    """RFC 5321 4.2.1: 5yz is for good, 4yz for now."""
    return NeverMind if 500 <= code <= 599 else TryLater


def _where(target: MailTarget) -> str:
    return f"mail server {target.host}:{target.port}"


def _text(words: bytes | str) -> str:
    return one_line(words.decode("utf-8", "replace") if isinstance(words, bytes) else words)[:200]
