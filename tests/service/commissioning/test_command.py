"""The command: exit codes, one JSON document, the table, cautions, and the record that is saved."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli.main import run
from simulator.bench import open_benches
from tests.drivers.lantern import Lantern
from tests.drivers.servers import line_server

LANTERN = Path(__file__).parents[2] / "drivers" / "lantern.toml"


def test_all_works_is_0_and_the_record_is_saved(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """With --json standard output holds exactly one document: the one that is saved."""
    path = tmp_path / "sim-1.json"
    with open_benches(seed=7) as (bench,):
        words = ["commission", bench.addresses.socket, "--dialect", "scpi-1999", "--skip", "transfer"]
        code = run([*words, "--serial", bench.addresses.serial, "--json", "--save", str(path)])
    out, err = capsys.readouterr()
    assert code == 0
    assert json.loads(out) == json.loads(path.read_bytes())
    assert json.loads(out)["identity"]["serial"].startswith("HS")
    assert "ground clip" in err
    assert "mains" in err
    assert "A reset is among the lines" in err


def test_differences_are_3_and_the_table_has_the_exchange(capsys: pytest.CaptureFixture[str]) -> None:
    """What was said and answered stands below the table, line by line."""
    with line_server(Lantern()) as server:
        code = run(["commission", server.socket_address, "--dialect", str(LANTERN), "--skip", "transfer"])
    out, err = capsys.readouterr()
    assert "ground clip" in err
    assert "A reset" not in err, "this dialect knows none"
    assert code == 3
    assert "works but differs" in out
    assert '    answered  13,"SPEED CANNOT BE 200"' in out
    assert "--serial URL --baud N" in out
    assert max(map(len, out.splitlines())) <= 118


def test_a_failing_line_is_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The dialect is wrong in one place; the rest is tried all the same."""
    path = tmp_path / "mine.toml"
    path.write_text(LANTERN.read_text("utf-8").replace('"HUNT AT?"', '"HUNTED AT?"'), encoding="utf-8")
    with line_server(Lantern()) as server:
        address = server.socket_address
        code = run(["commission", address, "--dialect", str(path), "--timeout", "0.2", "--skip", "transfer"])
    out = capsys.readouterr().out
    assert code == 1
    assert "trigger.level (fails)" in out
    assert "    said      HUNTED AT?" in out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--dialect", "scpi-1998"], "did you mean 'scpi-1999'"),
        (["--dialect", "scpi-1999", "--timeout", "0"], "--timeout must be above 0"),
        (["--dialect", "scpi-1999", "--reference-v", "5"], "needs --reference-hz"),
        ([], "--dialect"),
    ],
)
def test_bad_usage_is_2(capsys: pytest.CaptureFixture[str], words: list[str], sentence: str) -> None:
    """Before anything is sent."""
    assert run(["commission", "TCPIP::127.0.0.1::1::SOCKET", *words]) == 2
    assert sentence in capsys.readouterr().err


def test_a_typo_in_a_dialect_is_2_and_names_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The person who wrote the file is told where."""
    path = tmp_path / "mine.toml"
    path.write_text(LANTERN.read_text("utf-8").replace("divisions = 8", "division = 8", 1), encoding="utf-8")
    assert run(["commission", "TCPIP::127.0.0.1::1::SOCKET", "--dialect", str(path)]) == 2
    assert "did you mean 'divisions'" in capsys.readouterr().err


def test_nothing_there_is_4(capsys: pytest.CaptureFixture[str]) -> None:
    """With --json the reason is a document too."""
    words = ["commission", "TCPIP::127.0.0.1::1::SOCKET", "--dialect", "scpi-1999", "--json"]
    assert run([*words, "--timeout", "0.3"]) == 4
    out, err = capsys.readouterr()
    assert "refused" in json.loads(out)["detail"]
    assert "refused" in err


def test_a_link_that_is_not_there_fails_its_line_and_not_the_table(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The scope was proved; only the comparison with traffic is missing."""
    with open_benches(seed=7) as (bench,):
        words = ["commission", bench.addresses.socket, "--dialect", "scpi-1999", "--skip", "transfer"]
        code = run([*words, "--serial", "socket://127.0.0.1:1"])
    out = capsys.readouterr().out
    assert code == 1
    assert "socket://127.0.0.1:1" in out
    assert "left as found" in out
