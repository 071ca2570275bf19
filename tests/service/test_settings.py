"""Settings: command line over environment over default; errors and their outcomes."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

import drivers.errors
import service.errors
from service.errors import OUTCOMES, BadSettings, outcome_of, problem_of
from service.hooks import RunCancelled
from service.settings import SETTINGS, Settings, default_locks, read_settings


def test_what_is_given_beats_the_environment_which_beats_the_default() -> None:
    """None counts as not given, an empty variable as not set."""
    assert read_settings(env={}).port == 8320
    assert read_settings(env={"BENCHWARDEN_PORT": "9000"}).port == 9000
    assert read_settings({"port": 9001}, {"BENCHWARDEN_PORT": "9000"}).port == 9001
    assert read_settings({"port": None}, {"BENCHWARDEN_PORT": ""}).port == 8320
    assert read_settings(env={"BENCHWARDEN_DATA": "/srv/lab"}).data == Path("/srv/lab")


def test_without_a_setting_the_database_is_a_file_in_the_data_folder() -> None:
    """No server and no configuration."""
    assert read_settings({"data": "/srv/lab"}, {}).database_url == "sqlite:////srv/lab/benchwarden.db"
    named = {"BENCHWARDEN_DATABASE": "postgresql://bench@127.0.0.1/lab"}
    assert read_settings(env=named).database_url == "postgresql://bench@127.0.0.1/lab"


def test_the_table_has_exactly_the_settings_of_the_record() -> None:
    """Help, environment names and documents come from the table."""
    assert {s.name for s in SETTINGS} == {f.name for f in fields(Settings)}
    assert all(s.help and s.env == f"BENCHWARDEN_{s.name.upper()}" for s in SETTINGS)


@pytest.mark.parametrize(
    ("given", "env", "words"),
    [
        ({"port": "x"}, {}, "setting port was 'x' as given"),
        ({"port": 70000}, {}, "between 0 and 65535"),
        ({}, {"BENCHWARDEN_PORT": "x"}, "from BENCHWARDEN_PORT"),
        ({"lock_wait_s": float("nan")}, {}, "lock_wait_s"),
        ({"prot": 1}, {}, "no such setting: prot"),
    ],
)
def test_a_wrong_setting_is_named_with_where_it_came_from(
    given: dict[str, object], env: dict[str, str], words: str
) -> None:
    """So that nobody looks in the wrong place."""
    with pytest.raises(BadSettings, match=words):
        read_settings(given, env)


def test_the_lock_folder_is_the_same_for_all_users_and_shells(monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that follows TMPDIR or HOME would lock nothing."""
    before = default_locks()
    monkeypatch.setenv("TMPDIR", "/elsewhere")
    monkeypatch.setenv("HOME", "/elsewhere")
    assert default_locks() == before


def leaves(module: object) -> list[type[BaseException]]:
    return [
        kind
        for kind in vars(module).values()
        if isinstance(kind, type) and issubclass(kind, BaseException) and not kind.__subclasses__()
    ]


@pytest.mark.parametrize("kind", [*leaves(service.errors), *leaves(drivers.errors), RunCancelled])
def test_every_leaf_of_both_error_trees_has_a_row_of_its_own(kind: type[BaseException]) -> None:
    """Nothing falls through to "internal" by forgetting."""
    assert kind in OUTCOMES


def test_rows_have_names_of_their_own_and_codes_of_the_contract() -> None:
    """contract.md section 2: 2 bad input, 4 not reachable, 5 anything else; 1 and 3 belong to verdicts."""
    names = [row.name for row in OUTCOMES.values()]
    assert len(set(names)) == len(names)
    assert {row.exit_code for row in OUTCOMES.values()} == {2, 4, 5}
    assert outcome_of(drivers.errors.TimedOut("x")).exit_code == 4
    assert outcome_of(drivers.errors.NotReachable("x")).exit_code == 4
    assert outcome_of(ZeroDivisionError()).exit_code == 5


def test_a_bug_tells_its_kind_and_nothing_of_its_inside() -> None:
    """The log has the rest."""
    problem = problem_of(KeyError("/home/warden/secret"))
    assert "secret" not in str(problem)
    assert "KeyError" in str(problem["detail"])
