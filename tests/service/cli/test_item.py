"""`benchwarden item`: the inventory without a service, in words and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli.main import run
from tests.service.cli.test_main import STATIONS


@pytest.fixture
def lab(tmp_path: Path) -> list[str]:
    """The options that name a lab of one station."""
    path = tmp_path / "stations.toml"
    path.write_text(STATIONS)
    return ["--stations", str(path), "--data", str(tmp_path / "data")]


def test_a_thing_goes_through_its_life(lab: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Made, placed, out, noted; the list and the log say so."""
    for words in (
        ["add", "P-07", "probe", "--label", "black clip"],
        ["place", "P-07", "north-3", "--line", "to_target", "--who", "Ida"],
        ["state", "P-07", "out", "--because", "clip arced"],
        ["note", "P-07", "new clip ordered"],
    ):
        assert run(["item", *words, *lab]) == 0
    capsys.readouterr()
    assert run(["item", "list", *lab]) == 0
    line = capsys.readouterr().out
    assert " ".join(line.split()) == "P-07 probe north-3 to_target out: not to be used; black clip"
    assert run(["item", "show", "P-07", "--json", *lab]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert (shown["state"], shown["placement"]["who"]) == ("out", "Ida")
    assert [e["what"] for e in shown["log"]] == ["note", "state", "placed", "made"]


def test_words_of_others_cannot_command_a_terminal(
    lab: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Control characters and marks that turn the writing are shown as blanks."""
    run(["item", "add", "B-1", "board", "--label", "\x1b[2J\u202egone\nnow", *lab])
    run(["item", "list", *lab])
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "\u202e" not in out
    assert "[2J gone now" in out


@pytest.mark.parametrize(
    "words",
    [["show", "P-9"], ["add", "P-1", "cable"], ["list", "--state", "lost"], ["place", "P-9", "north-9"], []],
)
def test_what_is_none_is_bad_usage(
    words: list[str], lab: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and one sentence."""
    assert run(["item", *words, *(lab if words else [])]) == 2
    assert capsys.readouterr().err


def test_a_bench_is_claimed_and_given_back(lab: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody works there: 0; somebody else is there: 5 and who it is."""
    assert run(["claim", "north-3", "--who", "Ida", "--hours", "1", "--because", "class 3b", *lab]) == 0
    assert "Ida is at north-3 until" in capsys.readouterr().out
    assert run(["claim", "north-3", "--who", "Ben", *lab]) == 5
    assert "Ida is at north-3 until" in capsys.readouterr().err
    assert run(["give-back", "north-3", "--json", *lab]) == 0
    assert json.loads(capsys.readouterr().out)["ended_because"].startswith("given back by")
    assert run(["give-back", "north-3", *lab]) == 2
