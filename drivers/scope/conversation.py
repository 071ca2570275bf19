"""Talking to one scope by the rules of its dialect: messages put together, replies taken apart, errors
drained.

A complaint of the scope itself always wins: when a query is not answered, its error queue is asked for
the reason, since "undefined header" helps more than "no answer".
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.errors import DriverError, IdentityError, InstrumentError, NotReachable, ReplyError, TimedOut
from drivers.scope import scpi
from drivers.scope.capture import Identity
from drivers.scope.dialect import Dialect, MessageRules
from drivers.scope.settings import extract
from drivers.seam import Link

MOST_ERRORS = 40
"""A queue longer than this is a scope that will not stop complaining."""


class Conversation:
    """One scope's side of a link. `link` is set by whoever makes the link, since making it calls `greet`."""

    link: Link

    def __init__(
        self,
        dialect: Dialect,
        expected_idn: str | None = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self._dialect = dialect
        self._expected = expected_idn
        self._pause = pause
        self.identity: Identity | None = None
        self.left_over: tuple[tuple[int, str], ...] = ()
        """What stood in the error queue when the scope was greeted last."""
        self.before_stopping: Callable[[], None] | None = None
        """Called once, at the first contact, before anything is changed on the scope."""
        self._met = False
        self.switched_on: bool | None = None
        """At the first contact: whether it was switched on since anybody asked last. None: it cannot tell."""
        self.switched_on_again = False
        """Whether it was switched off and on since then."""

    # --- opening --------------------------------------------------------------------------------------------

    def greet(self, link: Link) -> None:
        """After each opening: the right instrument, its old errors out of the way; at the first, also
        idle."""
        rules = self._dialect
        first, self._met = not self._met, True
        reply = link.query(rules.identify.query, timeout_s=rules.identify.timeout_s)
        try:
            identity = scpi.parse_identity(extract(reply, rules.identify.reply))
        except ReplyError as error:
            attach(error, link.address, rules.identify.query)
            raise
        self._check_identity(identity, link.address)
        self.identity, self.link = identity, link
        self._look_whether_switched_on(link)
        self.left_over = self._drain(link)
        if first and self.before_stopping is not None:
            self.before_stopping()
        start = self.packed([*rules.clear.write, *(rules.abort.write if first else ())])
        if rules.errors is None:
            link.query(rules.identify.query, before=start)
        else:
            self._drain(link, before=start)

    def _look_whether_switched_on(self, link: Link) -> None:
        """Before anything is cleared: clearing would take the note away with the rest."""
        about = self._dialect.event_status
        if about is None:
            return
        question = about.question
        try:
            reply = link.query(question.query, timeout_s=question.timeout_s)
            noted = bool(scpi.parse_integer(extract(reply, question.reply)) >> about.bit & 1)
        except ReplyError as error:
            link.distrust()
            attach(error, link.address, question.query)
            raise
        except TimedOut as error:
            error.args = (f'{error}; a scope without this register needs without = ["event_status"]',)
            raise
        if self.switched_on is None:
            self.switched_on = noted
        else:
            self.switched_on_again |= noted

    def _check_identity(self, identity: Identity, address: str) -> None:
        if self.identity is not None and identity != self.identity:
            raise IdentityError(
                f"{address}: now {describe(identity)} answers, a moment ago it was {describe(self.identity)}",
                address=address,
            )
        if self._expected and not matches(identity, self._expected):
            raise IdentityError(
                f"{address}: {describe(identity)} answers, expected was {self._expected}", address=address
            )

    # --- saying ---------------------------------------------------------------------------------------------

    def tell(self, units: Sequence[str], *, settle_s: float = 0.0) -> None:
        """Send units that have no answer, then drain the error queue.

        Raises:
            InstrumentError: with the entries, if the scope complained.
        """
        before = self.packed(units)
        rules = self._dialect
        if settle_s:
            self.link.write(*before)
            self._pause(settle_s)
            before = []
        if rules.errors is None:
            # no queue to ask: the identity shows at least that the message was taken
            self.link.query(rules.identify.query, before=before)
            return
        entries = scpi.errors_only(self._drain(self.link, before=before))
        if entries:
            raise refused(self.link.address, "; ".join(units), entries)

    def errors(self) -> tuple[tuple[int, str], ...]:
        """The entries of the error queue, oldest first; the queue is empty afterwards."""
        return self._drain(self.link)

    def must_answer(self) -> None:
        """Raises NotReachable when the scope does not even say who it is."""
        self.link.query(self._dialect.identify.query, timeout_s=self._dialect.identify.timeout_s)

    # --- asking ---------------------------------------------------------------------------------------------

    def ask(self, query: str, *, timeout_s: float | None = None) -> str:
        """The reply to one query.

        Raises:
            InstrumentError: it did not answer, and its error queue says why.
            TimedOut, NotReachable, ReplyError.
        """
        with self._explained(query):
            return self.link.query(query, timeout_s=timeout_s)

    def ask_all(self, queries: Sequence[str], *, timeout_s: float | None = None) -> list[str]:
        """The replies to several queries, in as few messages as the dialect allows."""
        rules = self._dialect.message
        if not rules.join_queries:
            return [self.ask(query, timeout_s=timeout_s) for query in queries]
        replies: list[str] = []
        for batch in pack(queries, rules):
            reply = self.ask(batch.message, timeout_s=timeout_s)
            items = [reply] if batch.units == 1 else scpi.split_items(reply, rules.answers)
            with self.parsing(batch.message):
                if len(items) != batch.units:
                    raise ReplyError(
                        f"{len(items)} answers came for {batch.units} queries: {reply[:60]!r}",
                        reply=reply.encode("latin-1"),
                        expected=f"{batch.units} answers",
                    )
            replies += items
        return replies

    def ask_block(
        self,
        query: str,
        *,
        before: Sequence[str],
        limit_bytes: int,
        newline: bool,
        timeout_s: float | None = None,
    ) -> NDArray[np.uint8]:
        """Units that have no answer, then a query that is answered by a block; shape (bytes,)."""
        with self._explained(query):
            return self.link.query_block(
                query,
                before=self.packed(before),
                limit_bytes=limit_bytes,
                newline=newline,
                timeout_s=timeout_s,
            )

    def ask_after(self, query: str, before: Sequence[str], *, timeout_s: float | None = None) -> str:
        """Units that have no answer, then a query."""
        with self._explained(query):
            return self.link.query(query, before=self.packed(before), timeout_s=timeout_s)

    @contextlib.contextmanager
    def parsing(self, command: str) -> Iterator[None]:
        """A reply that cannot be understood: the link is not trusted any more, and the error says what
        was asked."""
        try:
            yield
        except ReplyError as error:
            self.link.distrust()
            attach(error, self.link.address, command)
            raise

    def packed(self, units: Sequence[str]) -> list[str]:
        """Units as messages."""
        return [batch.message for batch in pack(units, self._dialect.message)]

    # --- errors ---------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _explained(self, command: str) -> Iterator[None]:
        """No answer, or a wrong one: if the scope's error queue says why, that is the error."""
        try:
            yield
        except (TimedOut, ReplyError) as error:
            with contextlib.suppress(NotReachable, ReplyError):  # then there is nothing to add to `error`
                self.link.reopen(patience_s=0.0)
                entries = scpi.errors_only(self.left_over)
                if entries:
                    raise refused(self.link.address, command, entries) from error
            raise

    def _drain(self, link: Link, before: Sequence[str] = ()) -> tuple[tuple[int, str], ...]:
        """Read the error queue until it is empty; a scope whose queue never ends is at fault itself."""
        rules = self._dialect.errors
        if rules is None:
            return ()
        entries: list[tuple[int, str]] = []
        for _ in range(MOST_ERRORS):
            reply = link.query(rules.query, before=before, timeout_s=rules.timeout_s)
            before = ()
            try:
                number, text = scpi.parse_error(extract(reply, rules.reply))
            except ReplyError as error:
                link.distrust()
                attach(error, link.address, rules.query)
                raise
            if number == 0:
                return tuple(entries)
            entries.append((number, text))
        raise InstrumentError(
            f"{link.address}: the error queue holds more than {MOST_ERRORS} entries, the last of them "
            f"{scpi.describe_errors(entries[-1:])}; switch the scope off and on",
            address=link.address,
            command=rules.query,
            entries=tuple(entries),
        )


@dataclass(frozen=True)
class Batch:
    """One message and how many units are in it."""

    message: str
    units: int


def pack(units: Sequence[str], rules: MessageRules) -> list[Batch]:
    """Units joined into messages of at most `rules.longest` characters; one each where nothing joins them."""
    batches: list[list[str]] = []
    for unit in units:
        together = [*batches[-1], unit] if batches and rules.join else None
        if together and len(scpi.compose(together, rules.join, rules.root)) <= rules.longest:
            batches[-1] = together
        else:
            batches.append([unit])
    return [Batch(scpi.compose(batch, rules.join, rules.root), len(batch)) for batch in batches]


def refused(address: str, command: str, entries: tuple[tuple[int, str], ...]) -> InstrumentError:
    """The scope's own complaint about a command."""
    return InstrumentError(
        f"{address}: the scope refuses {command!r}: {scpi.describe_errors(entries)}",
        address=address,
        command=command,
        entries=entries,
    )


def attach(error: DriverError, address: str, command: str) -> None:
    """Put the place into an error that was raised where it was not known."""
    if error.address is None:
        error.args = (f"{address} at {command!r}: {error}",)
        error.address, error.command = address, command


def describe(identity: Identity) -> str:
    """As a person says it."""
    return f"{identity.maker} {identity.model}, serial number {identity.serial}"


def matches(identity: Identity, expected: str) -> bool:
    """Whether the identity is what a station expects: empty fields of `expected` match anything."""
    wanted = [field.strip() for field in expected.split(",", 3)]
    have = (identity.maker, identity.model, identity.serial, identity.firmware)
    return all(not want or want == got for want, got in zip(wanted, have, strict=False))
