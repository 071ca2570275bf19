"""Repeated requests (draft-ietf-httpapi-idempotency-key-header): one key, one run, the same answer each time.

| case | answer |
|---|---|
| first time, or no key | a new run |
| repeat, whatever the run does by now | the same run |
| repeat while the first request is still being answered | StillWorking |
| the same key with another request | KeyReused |
| a key that is none | BadQuery |
The key's file is written before the run it names: after a crash in between, the repeat makes that very run.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from service.errors import BadQuery, KeyReused, StillWorking, StoreFailed, UnknownRun
from service.run_record import Clock, Run, moment_of, new_id, timestamp, utc_now
from service.store import RunStore, write_whole

LONGEST_KEY = 255


@dataclass
class Repeats:
    """Keys are remembered for `hours`, across restarts."""

    folder: Path
    store: RunStore
    hours: float = 24.0
    clock: Clock = utc_now
    _answering: set[str] = field(default_factory=set)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def answer(self, key: str, request: dict[str, Any], make: Callable[[str], Run]) -> Run:
        """The run that belongs to the key: `make(run_id)` the first time, the same one afterwards.

        Raises:
            StillWorking, KeyReused, StoreFailed; and whatever `make` raises: a repeat then tries again.
        """
        fingerprint = hashlib.sha256(json.dumps(request, sort_keys=True).encode()).hexdigest()
        with self._alone(key):
            known = self._known(key)
            if known is None:
                known = self._remember(key, fingerprint)
            if known["fingerprint"] != fingerprint:
                raise KeyReused(
                    f"Idempotency-Key {key!r} was used for another request at {known['created_at']}"
                )
            try:
                return self.store.read(known["run_id"])
            except UnknownRun:
                return make(known["run_id"])

    def forget_old(self) -> None:
        """Remove keys whose time is over; those of today are left alone."""
        for path in self.folder.glob("*.json"):
            if self._fresh(path) is None:
                path.unlink(missing_ok=True)

    @contextmanager
    def _alone(self, key: str) -> Iterator[None]:
        with self._guard:
            if key in self._answering:
                raise StillWorking(f"the first request with Idempotency-Key {key!r} is still being answered")
            self._answering.add(key)
        try:
            yield
        finally:
            with self._guard:
                self._answering.discard(key)

    def _path(self, key: str) -> Path:
        return self.folder / f"{hashlib.sha256(key.encode()).hexdigest()}.json"

    def _known(self, key: str) -> dict[str, Any] | None:
        return self._fresh(self._path(key))

    def _fresh(self, path: Path) -> dict[str, Any] | None:
        """What the key stands for; None when its time is over or it never was."""
        try:
            known: dict[str, Any] = json.loads(path.read_bytes())
        except FileNotFoundError:
            return None
        age = self.clock() - moment_of(known["created_at"], "created_at")
        return known if age < timedelta(hours=self.hours) else None

    def _remember(self, key: str, fingerprint: str) -> dict[str, Any]:
        now = self.clock()
        known = {"fingerprint": fingerprint, "run_id": new_id(now), "created_at": timestamp(now)}
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._path(key), json.dumps(known).encode(), place=os.replace)
        except OSError as error:
            raise StoreFailed(f"Idempotency-Key {key!r} could not be remembered: {error}") from error
        return known


def key_of_header(text: str) -> str:
    """From a structured-field string (RFC 8941 3.3.3), `"8e03978e-..."`; without the quotes is taken too.

    Raises:
        BadQuery: empty, longer than 255, or not printable ASCII.
    """
    quoted = re.fullmatch(r'\s*"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"\s*', text)
    key = re.sub(r"\\(.)", r"\1", quoted.group(1)) if quoted else text.strip()
    if (
        not 1 <= len(key) <= LONGEST_KEY
        or not re.fullmatch(r"[\x20-\x7e]+", key)
        or (not quoted and '"' in key)
    ):
        raise BadQuery(
            f"Idempotency-Key {text[:60]!r} is not a string of 1 to {LONGEST_KEY} printable characters "
            "in double quotes"
        )
    return key
