"""A guided check at a terminal: a person reads what the command prints, moves probes and presses keys."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.bench import Bench
from tests.service.check.hands import Hands, deeds_of
from tests.whole.benches import one_bench
from tests.whole.over_http import STATIONS

HOME = Path(__file__).resolve().parents[2]
STEP = re.compile(r"(?:Step \d of \d|Something to put right): ([^\r\n]+)\r?\n")


@pytest.fixture
def bench() -> Iterator[Bench]:
    with one_bench(seed=61) as one:
        yield one


class Terminal:
    """A command behind a pseudo-terminal, and the person before it."""

    def __init__(self, folder: Path, bench: Bench, *words: str, keys_are_a_pipe: bool = False) -> None:
        stations = folder / "harbour.toml"
        stations.write_text(STATIONS.format(scope=bench.addresses.socket, serial=bench.addresses.serial))
        self.master, slave = pty.openpty()
        self.text = ""
        self._read = 0
        self.child = subprocess.Popen(
            [sys.executable, "-m", "service", "check", "north-1", "--stations", str(stations), *words],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(HOME), "TERM": "xterm"},
            stdin=subprocess.PIPE if keys_are_a_pipe else slave,
            stdout=subprocess.PIPE,
            stderr=slave,
        )
        os.close(slave)

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def steps(self) -> Iterator[str]:
        """The name of each step when it is shown, until the command is done with its steps."""
        while (found := self._search(STEP)) is not None:
            yield found

    def waits_for(self, words: str) -> None:
        assert self._search(re.compile(f"({re.escape(words)})")) is not None, self.text

    def ended(self) -> tuple[int, str]:
        """Exit code and what went to standard output."""
        assert self.child.stdout is not None
        out = self.child.stdout.read().decode()
        return self.child.wait(20), out

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait(20)
        for stream in (self.child.stdin, self.child.stdout):
            if stream is not None:
                stream.close()
        os.close(self.master)

    def _search(self, what: re.Pattern[str]) -> str | None:
        """The next match of what is printed; None when the command ended first."""
        while (match := what.search(self.text, self._read)) is None:
            if not self._more():
                return None
        self._read = match.end()
        return match[1]

    def _more(self) -> bool:
        ready, _, _ = select.select([self.master], [], [], 30)
        assert ready, self.text
        try:
            came = os.read(self.master, 4096)
        except OSError:  # Linux says so when the other side is closed
            return False
        self.text += came.decode("utf-8", "replace")
        return bool(came)


@contextlib.contextmanager
def at_terminal(folder: Path, bench: Bench, *words: str) -> Iterator[Terminal]:
    terminal = Terminal(folder, bench, *words)
    try:
        yield terminal
    finally:
        terminal.close()


def walk(terminal: Terminal, deeds: dict[str, Callable[[], None]]) -> list[str]:
    """Read a step, do it; Enter for the cautions."""
    names = []
    for name in terminal.steps():
        names.append(name)
        if name == "before you begin":
            terminal.waits_for("Local rules and licensed persons come first")
            terminal.press("\n")
        else:
            deeds[name]()
    return names


def test_a_whole_check_is_walked_at_a_terminal(tmp_path: Path, bench: Bench) -> None:
    """One key; five steps with their cautions and live values; the page at the end, exit code 0."""
    with at_terminal(tmp_path, bench, "--guided") as terminal:
        names = walk(terminal, deeds_of(Hands(bench)))
        code, out = terminal.ended()
    assert code == 0, terminal.text + out
    assert len(names) == 5
    assert "! Ground clip first, the tip last" in terminal.text
    assert "Enter = done, s = leave this step out, q = stop" in terminal.text
    assert re.search(r"> ch1: -?0\.\d\d to [45]\.\d\d V, 1000 Hz, flat within 0\.\d+ %", terminal.text)
    assert "\x1b[2K" in terminal.text
    assert "nothing wrong in what was looked at (guided)" in out


def test_the_trimmer_is_turned_by_what_the_line_says(tmp_path: Path, bench: Bench) -> None:
    """The line changes in place; the person turns until it goes on."""
    bench.person.turn_trimmer(1, 10.8)
    hands = Hands(bench)
    deeds = deeds_of(hands)

    def trimmer() -> None:
        terminal.waits_for("under-compensated by")
        for picofarad, words in ((10.4, "worse: turn the other way"), (11.4, "better: go on")):
            hands.trim(1, picofarad)
            terminal.waits_for(words)
        hands.trim(1, 12.0)

    deeds["trimmer of the probe of ch1"] = trimmer
    with at_terminal(tmp_path, bench, "--guided", "--json") as terminal:
        names = walk(terminal, deeds)
        code, out = terminal.ended()
    assert code == 0, terminal.text + out
    assert "trimmer of the probe of ch1" in names
    document = json.loads(out)
    assert [(f["code"], f["severity"]) for f in document["findings"]] == [("probe-undercompensated", "info")]


def test_s_leaves_a_step_out_and_q_stops(tmp_path: Path, bench: Bench) -> None:
    """Stopped is no verdict: exit code 5, and the scope is idle."""
    with at_terminal(tmp_path, bench, "--guided") as terminal:
        for name in terminal.steps():
            terminal.press({"before you begin": "\n"}.get(name, "s" if "ch1" in name else "q"))
            if "ch1" in name:
                terminal.waits_for("left out")
        code, _ = terminal.ended()
    assert code == 5
    assert "stopped at the terminal" in terminal.text
    assert not bench.scope.acquisition.busy


def test_without_a_terminal_every_look_is_a_line_and_lines_are_keys(tmp_path: Path, bench: Bench) -> None:
    """Standard error is a file: plain text without control sequences; Enter comes through a pipe."""
    stations = tmp_path / "harbour.toml"
    stations.write_text(STATIONS.format(scope=bench.addresses.socket, serial=bench.addresses.serial))
    Hands(bench).both("reference", "reference")
    done = subprocess.run(
        [sys.executable, "-m", "service", "check", "north-1", "--guided", "--stations", str(stations)],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(HOME)},
        input="\n" + "s\n" * 6,
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert "\x1b" not in done.stderr
    assert "Step 2 of 5: probe of ch1 on the reference terminal" in done.stderr
    assert "left out" in done.stderr
    assert done.returncode in (0, 1, 3)
