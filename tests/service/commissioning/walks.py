"""Commissioning of the simulated bench, and of a scope of an invented vocabulary."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.commissioning.commission import Commissioned, Wishes, commission
from service.commissioning.outcome import DIFFERS, FAILS, LineResult
from service.commissioning.signal_lines import Traffic
from simulator.bench import Bench
from tests.drivers.lantern import Lantern
from tests.drivers.servers import Act, line_server

LANTERN = Path(__file__).parents[2] / "drivers" / "lantern.toml"


def on_lantern(
    tmp_path: Path, *edits: tuple[str, str], lantern: Callable[[str], Act | None] | None = None
) -> Commissioned:
    """Commission the invented scope with its dialect after these edits of the file's text."""
    text = LANTERN.read_text(encoding="utf-8").replace("settle_s = 0.25", "settle_s = 0.001")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with line_server(lantern or Lantern()) as server:
        return commission(Wishes(server.socket_address, str(path), timeout_s=0.25, skip=("transfer",)))


def on_bench(bench: Bench, dialect: str = "scpi-1999", way: str = "socket", **wishes: Any) -> Commissioned:
    usual: dict[str, Any] = {"traffic": Traffic(bench.addresses.serial, 230_400), "skip": ("transfer",)}
    return commission(Wishes(getattr(bench.addresses, way), dialect, **{**usual, **wishes}))


def cousin(tmp_path: Path, text: str) -> str:
    """A dialect that differs from the standard one by `text`."""
    path = tmp_path / "cousin.toml"
    path.write_text(f'schema = 1\nname = "cousin"\nbased_on = "scpi-1999"\n{text}', encoding="utf-8")
    return str(path)


def line(done: Commissioned, name: str) -> LineResult:
    return next(result for result in done.lines if result.line == name)


def flawed(done: Commissioned) -> dict[str, str]:
    return {r.line: r.outcome for r in done.lines if r.outcome in (DIFFERS, FAILS)}
