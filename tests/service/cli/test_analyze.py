"""`benchwarden analyze`: saved captures judged with no hardware, with the documented exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from service.cli.main import run
from service.pipeline.trace import Shot
from tests.service.cli.captures import good_shot, missing_shot, write_csv, write_npz

GIVEN = ("--baud", "230400", "--frame", "8N1", "--logic", "3.3")


def test_a_good_record_passes_and_a_lost_character_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit codes 0 and 1; the page says what happened in words."""
    assert run(["analyze", str(write_csv(tmp_path / "good.csv", good_shot())), *GIVEN]) == 0
    page = capsys.readouterr().out
    assert page.startswith("Analysis of good.csv: PASS")
    assert "The scope's time base is assumed to be accurate to 25 ppm" in page
    assert run(["analyze", str(write_csv(tmp_path / "bad.csv", missing_shot())), *GIVEN]) == 1
    assert "echo-missing" in capsys.readouterr().out


def test_a_stated_time_base_is_not_called_assumed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was stated is believed."""
    path = write_csv(tmp_path / "good.csv", good_shot())
    assert run(["analyze", str(path), *GIVEN, "--timebase-ppm", "10"]) == 0
    assert "time base is assumed" not in capsys.readouterr().out


@pytest.mark.parametrize("write", [write_csv, write_npz])
def test_json_is_one_document_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], write: Callable[[Path, Shot], Path]
) -> None:
    """Standard output can be piped into any JSON reader, from a CSV as from a kept capture."""
    path = write(tmp_path / "x", missing_shot())
    code = run(["analyze", str(path), "--json", *GIVEN, "--sent", b"Tide 7".hex()])
    answer = capsys.readouterr()
    document = json.loads(answer.out)
    assert (code, document["verdict"], document["schema"]) == (1, "fail", 1)
    assert bytes(c["value"] for c in document["lines"]["to_target"]["characters"]) == b"Tide 7"
    assert document["lines"]["to_target"]["channel"] == "ch1"


def test_rate_and_frame_are_found_without_being_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No option but the file: the rate comes from the record, within its uncertainty."""
    run(["analyze", str(write_csv(tmp_path / "x.csv", good_shot())), "--json"])
    line = json.loads(capsys.readouterr().out)["lines"]["from_target"]
    assert abs(line["baud"]["value"] - 230400) < 3 * line["baud"]["u"]
    assert "8N1" in line["frame"]["possible"]


@pytest.mark.parametrize("names", [("pc", "board"), ("pc_v", "board_v")])
def test_roles_can_be_given_by_the_file_s_own_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], names: tuple[str, str]
) -> None:
    """`--to-target pc` and `--to-target pc_v` both mean the column pc_v."""
    path = write_csv(tmp_path / "x.csv", good_shot(), ("pc_v", "board_v"))
    assert run(["analyze", str(path), *GIVEN, "--to-target", names[0], "--from-target", names[1]]) == 0
    assert "pc" in capsys.readouterr().out


def test_a_file_with_column_names_of_its_own_is_read_when_they_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without `--time-column` the message says that it is needed; for an NPZ it makes no sense."""
    path = write_csv(tmp_path / "x.csv", good_shot(), ("Lead 1", "Lead 2"))
    path.write_text(path.read_text().replace("time_s", "Elapsed"))
    lines = ("--to-target", "Lead 1", "--from-target", "Lead 2")
    assert run(["analyze", str(path), *GIVEN, *lines]) == 2
    assert "time column" in capsys.readouterr().err
    assert run(["analyze", str(path), *GIVEN, "--time-column", "Elapsed", *lines]) == 0
    kept = write_npz(tmp_path / "x.npz", good_shot())
    assert run(["analyze", str(kept), *GIVEN, "--time-column", "Elapsed"]) == 2


def test_a_report_is_written_where_it_was_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One HTML file with identity and settings of the kept capture; its name is on the page."""
    path, report = write_npz(tmp_path / "x.npz", good_shot()), tmp_path / "report.html"
    assert run(["analyze", str(path), *GIVEN, "--report", str(report)]) == 0
    assert str(report) in capsys.readouterr().out
    html = report.read_text(encoding="utf-8")
    assert "Quayside Instruments" in html
    assert html.count('class="lanes"') == 2


@pytest.mark.parametrize(
    ("content", "options", "words"),
    [
        ("", [], "empty"),
        ("time_s;ch1_v;ch2_v\n0;1;2\n", [], "semicolons"),
        ("time_s,ch1_v,ch2_v\n0,1,x\n1,1,1\n", [], "line 2"),
        (None, ["--frame", "8X1"], "8X1"),
        (None, ["--logic", "4"], "1.8, 2.5, 3.3"),
        (None, ["--baud", "0"], "above 0"),
        (None, ["--sent", "4g"], "'g'"),
        (None, ["--to-target", "ch7"], "ch7"),
        (None, ["--to-target", "ch2"], "are both 'ch2'"),
        (None, ["--to-target", "2"], "are both '2'"),
        ("time_s,ch1_v,ch2_v\n0,1e30,1\n1,1,1\n", [], "line 2: 1e+30 V"),
        ("time_s,ch1_v,ch2_v\n0,1_0,1\n1,1,1\n", [], "'1_0' is not a number"),
        ("time_s,ch1_v,ch2_v\n", [], "no lines of data"),
        (None, ["--report", "no/such/folder/report.html"], "no/such/folder"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str | None, options: list[str], words: str
) -> None:
    """Never a traceback; standard output stays empty."""
    path = tmp_path / "x.csv"
    if content is None:
        write_csv(path, good_shot())
    else:
        path.write_text(content)
    assert run(["analyze", str(path), *options]) == 2
    answer = capsys.readouterr()
    assert answer.out == ""
    assert answer.err.startswith("benchwarden: ")
    assert len(answer.err.splitlines()) == 1
    assert words in answer.err


def test_a_missing_file_with_json_is_a_problem_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Scripts that read JSON get JSON; people read the sentence on standard error."""
    assert run(["analyze", str(tmp_path / "nothing.csv"), "--json"]) == 2
    answer = capsys.readouterr()
    assert json.loads(answer.out)["type"] == "/problems/bad-capture-file"
    assert "No such file" in answer.err


def test_analyze_loads_nothing_of_the_web_or_the_instruments(tmp_path: Path) -> None:
    """So that it starts nearly as fast as numpy; checked by what was imported, not by the clock."""
    path = write_csv(tmp_path / "x.csv", good_shot())
    code = (
        "import sys; from service.__main__ import main; main(['analyze', sys.argv[1]]); "
        "print(' '.join(sys.modules), file=sys.stderr)"
    )
    answer = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, timeout=50, check=True
    )
    heavy = {"fastapi", "starlette", "uvicorn", "pyvisa", "pyvisa_py", "serial", "rich", "jinja2", "httpx",
             "pydantic", "anyio", "asyncio", "filelock", "email", "simulator"}  # fmt: skip
    loaded = set(answer.stderr.splitlines()[-1].split())
    assert heavy & {name.partition(".")[0] for name in loaded} == set()
    assert {"numpy.ma", "service.cli.demo"} & loaded == set()


@pytest.mark.parametrize("names", [("ch2", "ch1"), ("2", "1"), ("CH2", "Ch1"), ("ch2_v", "ch1_v")])
def test_a_channel_is_found_by_what_people_call_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], names: tuple[str, str]
) -> None:
    """As the file names it, as the scope does, in capitals or not; the header may shout as well."""
    path = tmp_path / "x.csv"
    write_csv(path, good_shot())
    path.write_text(path.read_text().replace("ch1_v", "CH1_V", 1))
    assert run(["analyze", str(path), "--json", "--to-target", names[0], "--from-target", names[1]]) == 0
    document = json.loads(capsys.readouterr().out)
    assert "probes-exchanged" in [f["code"] for f in document["findings"]]
