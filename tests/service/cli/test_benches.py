"""The commands against a simulated bench in a process of its own: the whole job, as a person would run it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from service.cli.main import run

COMMAND = [sys.executable, "-m", "service"]


@contextmanager
def started(*words: str, cwd: Path) -> Iterator[subprocess.Popen[str]]:
    """A command in a process of its own, ended when the block is left."""
    home = Path(__file__).resolve().parents[3]
    child = subprocess.Popen(
        [*COMMAND, *words],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(home)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield child
    finally:
        if child.poll() is None:
            child.kill()
        child.communicate()


@pytest.fixture
def stations(tmp_path: Path) -> Iterator[Path]:
    """The stations file of one simulated bench that runs while the test does."""
    path = tmp_path / "stations.toml"
    with started("simulate", "--seed", "7", "--write-stations", str(path), cwd=tmp_path) as child:
        assert child.stdout is not None
        assert json.loads(child.stdout.readline())["station"] == "sim-1"
        yield path
        child.terminate()
        child.wait(20)


def demo(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, dict[str, Any]]:
    code = run(["demo", "--json", *options])
    return code, json.loads(capsys.readouterr().out)


def running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_demo_prints_one_page_and_names_its_report(capsys: pytest.CaptureFixture[str]) -> None:
    """What was sent and echoed, rates with uncertainty, both times of a character, and the report's file."""
    assert run(["demo"]) == 0
    page = capsys.readouterr().out
    for words in ("Echo test at sim-1: PASS", "Tide␣7   (6 characters)", "6 ok", " ± ",
                  "(9 bits)", "(10 bits)", "[pass]  content", "Findings", "would have given 0"):  # fmt: skip
        assert words in page
    (line,) = [line for line in page.splitlines() if line.startswith("  report ")]
    assert "<!doctype html>" in Path(line.split()[1]).read_text(encoding="utf-8")


def test_a_demo_of_a_fault_works_and_says_what_echo_would_have_given(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The demo did its job, so it exits 0; the verdict is in the document."""
    code, document = demo(capsys, "--firmware", "changes-case")
    assert (code, document["verdict"], document["echo_exit_code"]) == (0, "fail", 1)
    assert "echo-changed" in {f["code"] for f in document["findings"] if f["side"] == "device"}


def test_a_demo_of_a_bench_fault_fails_no_device(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong probe ratio voids the levels and nothing else."""
    code, document = demo(capsys, "--bench", "probe-ratio-off")
    assert (code, document["verdict"], document["echo_exit_code"]) == (0, "inconclusive", 3)
    assert "probe-ratio" in {f["code"] for f in document["findings"]}
    assert not [f for f in document["findings"] if f["side"] == "device" and f["severity"] == "fail"]


def test_an_unknown_firmware_is_told_with_those_that_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    """The simulator's own sentence, exit code 2, JSON where it was asked for."""
    code, problem = demo(capsys, "--firmware", "nonsense")
    assert code == 2
    assert "drops-one" in problem["detail"]


def test_echo_needs_no_service_and_keeps_what_it_saw(
    stations: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Result, captures and report lie in the data folder; the JSON says where."""
    data = tmp_path / "data"
    code = run(["echo", "sim-1", "--stations", str(stations), "--data", str(data), "--text", "Hi", "--json"])
    answer = capsys.readouterr()
    document = json.loads(answer.out)
    assert code == 0, answer.err
    assert bytes(c["value"] for c in document["lines"]["from_target"]["characters"]) == b"Hi"
    report = Path(document["run"]["report"])
    assert report.parent.parent == data / "runs"
    assert report.is_file()
    captures = document["run"]["captures"]
    assert captures[0]["name"] == "0"
    assert captures[0]["label"].startswith("shot")
    assert all(Path(c["file"]).is_file() and Path(c["file"]).is_relative_to(data) for c in captures)
    assert "shooting: shot 1" in answer.err


def test_a_kept_capture_can_be_analysed_again(
    stations: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same characters from the file as from the bench: a verdict can be recomputed without it."""
    run(
        [
            "echo",
            "sim-1",
            "--stations",
            str(stations),
            "--data",
            str(tmp_path / "data"),
            "--text",
            "Hi",
            "--json",
        ]
    )
    captures = json.loads(capsys.readouterr().out)["run"]["captures"]
    given = ["--baud", "230400", "--frame", "8N1", "--logic", "3.3", "--sent", b"Hi".hex()]
    assert run(["analyze", captures[0]["file"], *given, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "pass"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_simulated_benches_end_with_the_command(tmp_path: Path, number: signal.Signals) -> None:
    """The signal reaches the child; no simulator is left behind, and the end is an ordinary one."""
    with started("simulate", "--count", "2", cwd=tmp_path) as child:
        assert child.stdout is not None
        lines = [json.loads(child.stdout.readline()) for _ in range(2)]
        (bench,) = _children_of(child.pid)
        child.send_signal(number)
        assert child.wait(20) == 0
        assert not running(bench)
    assert [line["station"] for line in lines] == ["sim-1", "sim-2"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_interrupted_demo_leaves_no_process(tmp_path: Path, number: signal.Signals) -> None:
    """Ended in the middle of a run of many shots: code 5, one sentence, the bench gone."""
    words = ["demo", "--text", "U" * 1000, "--data", str(tmp_path / "data")]
    with started(*words, cwd=tmp_path) as child:
        assert child.stderr is not None
        for line in child.stderr:
            if "sounding" in line:
                break
        (bench,) = _children_of(child.pid)
        child.send_signal(number)
        errors = child.stderr.read()
        assert child.wait(30) == 5
        assert errors.splitlines()[-1] == "benchwarden: interrupted"
        assert "Traceback" not in errors
        assert not running(bench)


def test_serve_ends_in_order(stations: Path, tmp_path: Path) -> None:
    """It says its address on one line and ends with 0 on SIGTERM."""
    words = ["serve", "--stations", str(stations), "--port", "0", "--data", str(tmp_path / "data")]
    with started(*words, cwd=tmp_path) as child:
        assert child.stdout is not None
        assert "serves sim-1 at http://127.0.0.1:" in child.stdout.readline()
        child.terminate()
        assert child.wait(30) == 0


def _children_of(pid: int) -> list[int]:
    """Linux: the kernel's own list."""
    listed = Path(f"/proc/{pid}/task/{pid}/children")
    if not listed.exists():
        pytest.skip("the kernel does not list children here")
    return [int(word) for word in listed.read_text().split()]


def test_the_kinds_are_a_table_for_a_person_and_json_for_a_program(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every kind of the JSON stands in the table with what it is about."""
    with started("simulate", "--list", cwd=Path.cwd()) as child:
        kinds = json.loads(child.communicate(timeout=50)[0])
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert run(["simulate", "--list"]) == 0
    told = capsys.readouterr().out
    for rows in kinds.values():
        for row in rows:
            assert re.search(rf"^  {re.escape(row['name'])} +{re.escape(row['about'])}$", told, re.MULTILINE)
