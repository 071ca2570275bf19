"""How an attempt to send something can end, beside well."""

from __future__ import annotations


class SendingFailed(Exception):
    """Never raised itself; the message says why, without secrets."""


class TryLater(SendingFailed):
    """The other side is away, slow or busy: the next attempt may succeed."""


class NeverMind(SendingFailed):
    """Refused for good, or this side is set up wrongly: trying again would change nothing."""
