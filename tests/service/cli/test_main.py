"""The command line as such: usage, exit codes, and what happens when something breaks."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.errors import NotReachable, TimedOut
from service.cli import echo
from service.cli.main import parser, run
from service.cli.say import say
from service.errors import StationBusy, StoreFailed, UnknownPlan
from tests.service.bench_of_straw import station_toml

STATIONS = station_toml("north-3")


@pytest.mark.parametrize(
    "argv", [[], ["check"], ["echo"], ["demo", "--nonsense"], ["echo", "x", "--text", "a", "--hex", "61"]]
)
def test_bad_usage_is_exit_code_2(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Also for commands that do not exist (yet)."""
    assert run(argv) == 2
    assert "usage: benchwarden" in capsys.readouterr().err


def test_every_command_explains_its_options(capsys: pytest.CaptureFixture[str]) -> None:
    """--help is there for each and ends with 0."""
    for name in ("demo", "serve", "simulate", "echo", "analyze"):
        assert run([name, "--help"]) == 0
    words = capsys.readouterr().out
    assert words.count("usage: benchwarden") == 5


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (NotReachable("nothing answers at TCPIP::127.0.0.1::9::SOCKET"), 4),
        (TimedOut("no answer within 2 s"), 4),
        (UnknownPlan("no plan 'x'"), 2),
        (StationBusy("in use"), 5),
        (StoreFailed("the disk is full"), 5),
        (KeyboardInterrupt(), 5),
        (BrokenPipeError(), 5),
        (ZeroDivisionError("a mistake of ours"), 5),
    ],
)
def test_errors_have_the_documented_codes(
    error: BaseException, code: int, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A crash is 5 too: Python's own 1 would read as a failed test."""

    def broken(_arguments: object) -> int:
        raise error

    monkeypatch.setattr(echo, "run", broken)
    assert run(["echo", "north-3"]) == code
    assert capfd.readouterr().out == ""


def test_errors_of_ours_show_where_and_errors_of_the_bench_do_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A person at a bench gets a sentence; a programmer gets the place."""

    def unreachable(_arguments: object) -> int:
        raise NotReachable("nothing answers\nat all")

    monkeypatch.setattr(echo, "run", unreachable)
    run(["echo", "north-3"])
    assert capsys.readouterr().err == "benchwarden: nothing answers at all\n"


def test_a_misspelt_key_and_an_unknown_station_are_told_in_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the nearest known one."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    assert run(["echo", "nort-3", "--stations", str(stations)]) == 2
    assert "did you mean north-3?" in capsys.readouterr().err
    stations.write_text(STATIONS.replace("baud =", "buad ="))
    assert run(["echo", "north-3", "--stations", str(stations), "--json"]) == 2
    answer = capsys.readouterr()
    assert "baud" in answer.err
    assert json.loads(answer.out)["type"] == "/problems/bad-stations-file"


@pytest.mark.parametrize(("option", "value"), [("--plan", "nothing"), ("--hex", "4"), ("--text", "")])
def test_what_cannot_be_sent_is_refused_before_the_bench_is_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, value: str
) -> None:
    """Exit code 2, and no run is left behind."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    data = tmp_path / "data"
    assert run(["echo", "north-3", "--stations", str(stations), "--data", str(data), option, value]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not (data / "runs").exists()


def test_a_bench_that_is_not_there_is_exit_code_4(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Port 9 of loopback answers nobody."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    assert run(["echo", "north-3", "--stations", str(stations), "--data", str(tmp_path / "data")]) == 4
    assert "127.0.0.1" in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "example.org"])
def test_the_service_stays_on_this_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], host: str
) -> None:
    """No other address until there are tokens; 192.0.2.0/24 is for documentation (RFC 5737)."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    assert run(["serve", "--stations", str(stations), "--host", host]) == 2
    assert "loopback" in capsys.readouterr().err


def test_a_terminal_of_few_letters_still_gets_its_page() -> None:
    """What the encoding cannot show is replaced, never an error."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    say("4.34 ± 0.01 µs, Tide␣7 – ☂", stream)
    assert raw.getvalue() == b"4.34 +- 0.01 us, Tide_7 - \\u2602\n"


def test_a_reader_who_leaves_early_is_no_crash() -> None:
    """`benchwarden ... | head -1`: no traceback."""
    code = "import sys; from service.__main__ import main; sys.exit(main(['--help']))"
    child = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    errors = child.stderr.read()
    child.stderr.close()
    child.wait(30)
    assert "Traceback" not in errors


def test_the_commands_are_those_that_were_promised() -> None:
    """Names that other people's scripts use."""
    usage = parser().format_help()
    assert all(f"\n    {name} " in usage for name in ("demo", "serve", "simulate", "echo", "analyze"))


def test_progress_moves_on_a_terminal_and_is_plain_lines_elsewhere() -> None:
    """On a terminal one line is written over and taken away; in a log every step stays."""
    code = "from service.cli.progress import progress\nwith progress() as tell: tell('shot', '[1] of 2', 0.5)"
    plain = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=50, check=True)
    assert plain.stderr == b"[ 50%] shot: [1] of 2\n"
    ours, theirs = pty.openpty()
    subprocess.run([sys.executable, "-c", code], stderr=theirs, timeout=50, check=True)
    os.close(theirs)
    shown = b""
    with contextlib.suppress(OSError):  # how Linux tells the end of a terminal
        while more := os.read(ours, 4096):
            shown += more
    os.close(ours)
    assert b"[1] of 2" in shown
    assert b"\x1b[2K" in shown


@pytest.mark.parametrize(
    "argv", [["echo"], ["analyze", "x.csv", "--baud", "fast"], ["analyze", "none.csv"], ["nonsense"]]
)
def test_json_is_one_document_whatever_goes_wrong(
    argv: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A script parses standard output without looking at the exit code first."""
    assert run([*argv, "--json"]) == 2
    answer = capsys.readouterr()
    problem = json.loads(answer.out)
    assert problem["type"].startswith("/problems/bad-")
    assert problem["detail"]
    assert answer.err


@pytest.mark.parametrize(
    ("trouble", "kind"), [(KeyboardInterrupt(), "run-cancelled"), (ZeroDivisionError("x"), "internal")]
)
def test_json_is_one_document_also_when_the_command_breaks_off(
    trouble: BaseException, kind: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C and our own mistakes too; both are 5."""

    def breaks(_arguments: object) -> int:
        raise trouble

    monkeypatch.setattr(echo, "run", breaks)
    assert run(["echo", "north-3", "--json"]) == 5
    assert json.loads(capsys.readouterr().out)["type"] == f"/problems/{kind}"


@pytest.mark.parametrize(
    "command", [["echo", "north-3", "--stations"], ["serve", "--port", "0", "--stations"]]
)
def test_a_data_folder_that_cannot_be_is_one_sentence(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file stands where it should be made: bad usage, and no traceback."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    assert run([*command, str(stations), "--data", str(stations / "data")]) == 2
    words = capsys.readouterr().err
    assert "cannot be made" in words
    assert "Traceback" not in words
