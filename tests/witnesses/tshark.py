"""What tshark, a dissector that is not ours, makes of a capture file."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("tshark")
"""Debian: apt-get install tshark."""


def packets(path: Path, *options: str) -> list[dict[str, Any]]:
    """The layers of every packet, as tshark's JSON has them; a field that occurs several times is a list."""
    assert PROGRAM is not None
    words = [PROGRAM, "-n", "-r", str(path), "-T", "json", "--no-duplicate-keys", *options]
    done = subprocess.run(words, capture_output=True, text=True, timeout=50, check=True)
    return [packet["_source"]["layers"] for packet in json.loads(done.stdout)]


def every(layers: Any, name: str) -> list[str]:
    """All values of a field, wherever it stands in the layers, in order."""
    found: list[str] = []
    if isinstance(layers, dict):
        for key, value in layers.items():
            if key == name:
                found += value if isinstance(value, list) else [value]
            else:
                found += every(value, name)
    elif isinstance(layers, list):
        for value in layers:
            found += every(value, name)
    return found


def numbers(values: Sequence[str]) -> list[int]:
    """Decimal or 0x, as tshark prints them."""
    return [int(value, 0) for value in values]
