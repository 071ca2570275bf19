"""`python -m simulator` as others start it."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from simulator.__main__ import main
from simulator.faults import BENCHES, FIRMWARES
from tests.simulator.clients import Raw

ROOT = Path(__file__).parents[2]


def start(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "simulator", *arguments], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_it_prints_a_line_for_each_bench_and_ends_cleanly(tmp_path: Path, ending: signal.Signals) -> None:
    """One JSON line per bench, a ready stations file, exit code 0 on a signal."""
    stations = tmp_path / "stations.toml"
    process = start("--count", "2", "--write-stations", str(stations), "--baud", "115200", "--frame", "8E1")
    try:
        assert process.stdout is not None
        lines = [json.loads(process.stdout.readline()) for _ in range(2)]
        assert [line["station"] for line in lines] == ["sim-1", "sim-2"]
        for line in lines:
            assert set(line["scope"]) == {"socket", "hislip", "vxi11"}
            assert line["serial"]["socket"].startswith("socket://127.0.0.1:")
            assert line["serial"]["pty"].startswith("/dev/")
        with Raw(lines[1]["scope"]["socket"]) as scope:
            assert scope.ask("SYST:VERS?") == "1999.0"
        written = tomllib.loads(stations.read_text(encoding="utf-8"))["station"]
        assert [row["name"] for row in written] == ["sim-1", "sim-2"]
        assert written[0]["baud"] == 115200
        assert written[0]["frame"] == "8E1"
        assert written[0]["probes"]["from_target"] == {"channel": "2", "ratio": 10}
        process.send_signal(ending)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.communicate()


def test_it_lists_its_kinds(capsys: pytest.CaptureFixture[str]) -> None:
    """`--list`: name and one line about each, as JSON."""
    assert main(["--list"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [row["name"] for row in listed["firmware"]] == [row.name for row in FIRMWARES]
    assert [row["name"] for row in listed["bench"]] == [row.name for row in BENCHES]
    assert all(row["about"] for rows in listed.values() for row in rows)
    assert {"good", "drops-one", "changes-case", "late", "silent"} <= {row.name for row in FIRMWARES}
    assert {"good", "probe-ratio-off", "probes-exchanged", "trigger-outside"} <= {row.name for row in BENCHES}


def test_it_ends_with_whoever_started_it() -> None:
    """`--end-with-input`: standard input closes however that one dies, and no bench is left behind."""
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", "--end-with-input"],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdin is not None
        json.loads(process.stdout.readline())
        process.stdin.close()
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()
        process.stdout.close()  # type: ignore[union-attr]


@pytest.mark.parametrize(("given", "frame"), [([], "8E1"), (["--frame", "7O1"], "7O1")])
def test_a_kind_that_only_shows_with_a_certain_frame_gets_it(
    tmp_path: Path, given: list[str], frame: str
) -> None:
    """`wrong-parity` without a parity would be something else; what is asked for is kept."""
    stations = tmp_path / "stations.toml"
    process = start("--firmware", "wrong-parity", "--write-stations", str(stations), *given)
    try:
        assert process.stdout is not None
        json.loads(process.stdout.readline())
        assert tomllib.loads(stations.read_text(encoding="utf-8"))["station"][0]["frame"] == frame
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--firmware", "nonsense"], "drops-one"),
        (["--bench", "nonsense"], "trigger-outside"),
        (["--frame", "3N1"], "5-9"),
        (["--count", "0"], "at least 1"),
        (["--baud", "fast"], "whole number"),
        (["--fault", "nonsense"], "dies-in-block"),
        (["--fault", "dies-in-block:many"], "many"),
    ],
)
def test_wrong_usage_is_named_and_ends_with_2(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message says what is allowed."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert words in capsys.readouterr().err


def test_a_stations_file_that_cannot_be_written_ends_with_2() -> None:
    """One sentence; nothing is promised on standard output."""
    answer = subprocess.run(
        [sys.executable, "-m", "simulator", "--write-stations", "/no/such/folder/stations.toml"],
        cwd=ROOT, capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    assert answer.returncode == 2
    assert answer.stdout == ""
    assert "No such file or directory" in answer.stderr
    assert "Traceback" not in answer.stderr
