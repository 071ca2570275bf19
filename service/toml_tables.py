"""Tables of a TOML file as checked values; every complaint names file, station, key and value."""

from __future__ import annotations

import dataclasses
import difflib
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.errors import BadStationsFile


@dataclass(frozen=True)
class Place:
    """Where in the file we are, so that every error can say it."""

    file: str
    station: str = ""
    table: str = ""

    def at_station(self, table: Mapping[str, Any], index: int) -> Place:
        name = table.get("name")
        shown = f"station {name!r}" if isinstance(name, str) and name else f"station number {index + 1}"
        return dataclasses.replace(self, station=shown)

    def at_table(self, name: str) -> Place:
        return dataclasses.replace(self, table=f"{self.table}.{name}" if self.table else name)

    def wrong(self, message: str, key: str = "") -> BadStationsFile:
        full_key = ".".join(part for part in (self.table, key) if part)
        parts = (self.file, self.station, f"key {full_key}" if full_key else "")
        return BadStationsFile(f"{', '.join(part for part in parts if part)}: {message}")

    def known(self, table: Mapping[str, Any], keys: Sequence[str]) -> None:
        """Refuses keys that are not known, naming the nearest known one."""
        for key in table:
            if key not in keys:
                near = difflib.get_close_matches(key, keys, n=1, cutoff=0.5)
                hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(keys)}"
                raise self.wrong(f"unknown key, {hint}", key)

    def table_of(self, table: Any, keys: Sequence[str]) -> None:
        """Refuses what is no table, and keys that are not known."""
        if not isinstance(table, dict):
            raise self.wrong(f"must be a table, was {table!r}")
        self.known(table, keys)

    def value(self, table: Mapping[str, Any], key: str, kind: type, words: str) -> Any:
        """The value of a key that must be there and of that kind; a whole number will do for float."""
        if key not in table:
            raise self.wrong(f"is missing; {words} is needed", key)
        value = table[key]
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.wrong(f"must be {words}, was {value!r}", key)
        return value

    def positive(self, table: Mapping[str, Any], key: str, words: str) -> float:
        number: float = self.value(table, key, float, words)
        if not (math.isfinite(number) and number > 0):
            raise self.wrong(f"must be {words} above zero, was {number!r}", key)
        return number

    def text(self, table: Mapping[str, Any], key: str, words: str) -> str:
        text: str = self.value(table, key, str, words)
        if not text.strip():
            raise self.wrong(f"must be {words}, was empty", key)
        return text


def read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))  # some editors begin with a mark
    except FileNotFoundError:
        raise BadStationsFile(f"{path}: there is no such stations file") from None
    except OSError as error:
        raise BadStationsFile(f"{path}: the stations file cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BadStationsFile(
            f"{path}: is not UTF-8 text, byte {error.start} is {error.object[error.start]:#04x}"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise BadStationsFile(f"{path}: is not TOML: {error}") from None
