"""Whether a state that a dialect describes is there: asked once, never waited for."""

from __future__ import annotations

from drivers.errors import InstrumentError, TimedOut
from drivers.scope import scpi
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Poll
from drivers.scope.settings import extract, same_word

POLL_S = 0.002
POLL_LONGEST_S = 0.05
"""The pauses between two such questions, the first and the longest."""


def holds(talk: Conversation, poll: Poll) -> bool:
    """Whether the state that the poll describes is there.

    Raises:
        InstrumentError: the scope says a word that the dialect does not know: taking it for "not yet" would
            wait for ever.
        ReplyError, TimedOut, NotReachable.
    """
    if poll.by == "answer":
        return _answers(talk, poll)
    reply = talk.ask(poll.query, timeout_s=poll.timeout_s)
    with talk.parsing(poll.query):
        said = extract(reply, poll.reply)
        if poll.by == "register":
            return scpi.parse_integer(said) & poll.mask == poll.value
        if any(same_word(said, word) for word in poll.yes):
            return True
        if any(same_word(said, word) for word in poll.no):
            return False
        raise InstrumentError(
            f"{talk.link.address} says {said!r} to {poll.query!r}: the dialect knows only "
            f"{', '.join((*poll.yes, *poll.no))}",
            address=talk.link.address,
            command=poll.query,
        )


def _answers(talk: Conversation, poll: Poll) -> bool:
    """For scopes that answer when they are done, and not before: a question that is given up soon."""
    try:
        talk.link.query(poll.query, timeout_s=poll.timeout_s or POLL_LONGEST_S)
    except TimedOut:
        return False
    return True
