"""What goes out: results to standard output, words about them to standard error, JSON as one document."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from typing import Any, TextIO

ASCII_WORDS = str.maketrans({"±": "+-", "µ": "u", "␣": "_", "–": "-", "…": "...", "−": "-", "Ω": "ohm"})
"""For terminals that cannot show more."""


def say(text: str, stream: TextIO | None = None) -> None:
    """One text with its line end; what the stream's encoding cannot show is replaced, never an error."""
    stream = sys.stdout if stream is None else stream
    encoding = stream.encoding or "ascii"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(ASCII_WORDS).encode(encoding, "backslashreplace").decode(encoding)
    print(text.rstrip("\n"), file=stream, flush=True)


def log_to_stderr(*, everything: bool, kind: str = "plain") -> None:
    """What the service logs: all of it for `serve`; commands that tell their errors keep to mistakes."""
    import logging

    from service import logs

    if not everything:
        logging.getLogger("pyvisa").setLevel(logging.CRITICAL)  # it logs what the drivers raise anyway
    logs.log_to_stderr(kind, logging.INFO if everything else logging.ERROR)


def complain(sentence: str) -> None:
    """One sentence to standard error."""
    say(f"benchwarden: {sentence}", sys.stderr)


def print_json(document: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> None:
    """The one JSON document of `--json`, in ASCII, so that no encoding can spoil it."""
    print(json.dumps(document, indent=1, allow_nan=False), flush=True)
