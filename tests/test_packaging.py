"""The installed command: found from anywhere, not fooled by foreign packages of the same general names."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Need = Callable[[bool, str], None]

COMMAND = Path(sys.executable).with_name("benchwarden")
HOME = Path(__file__).resolve().parent.parent


@pytest.fixture
def command(need: Need) -> Path:
    """The console script of this very environment."""
    need(COMMAND.exists(), f"the package is not installed beside {sys.executable}")
    return COMMAND


def run(*words: str | Path, cwd: Path, path: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    return subprocess.run(
        [str(w) for w in words],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )


def foreign(folder: Path, name: str) -> Path:
    """A package that leaves a trace when anybody imports it."""
    package = folder / name
    package.mkdir(parents=True)
    (package / "__init__.py").write_text(f"open({str(folder / 'was-imported')!r}, 'w').close()\n")
    return package


def test_the_installed_command_runs_from_another_folder(command: Path, tmp_path: Path) -> None:
    """Whoever installed it need not stand in the checkout."""
    answer = run(command, "--version", cwd=tmp_path)
    assert (answer.returncode, answer.stderr) == (0, "")
    assert answer.stdout.startswith("benchwarden ")
    usage = run(command, "--help", cwd=tmp_path).stdout
    assert all(
        name in usage for name in ("demo", "serve", "simulate", "echo", "analyze", "Exit codes: 0 pass")
    )


@pytest.mark.parametrize("name", ["drivers", "simulator"])
def test_a_foreign_package_of_our_name_is_named_before_it_is_imported(
    command: Path, tmp_path: Path, name: str
) -> None:
    """One sentence says which package is foreign and where, and nothing of it has run."""
    package = foreign(tmp_path / "elsewhere", name)
    answer = run(command, "--version", cwd=tmp_path, path=package.parent)
    assert answer.returncode == 5
    assert answer.stdout == ""
    assert f"the package {name!r} at {package} is a foreign one" in answer.stderr
    assert len(answer.stderr.splitlines()) == 1
    assert not (package.parent / "was-imported").exists()


def test_packages_in_the_working_directory_do_not_matter(command: Path, tmp_path: Path) -> None:
    """A student's folder may well hold something called drivers or simulator."""
    for name in ("service", "drivers", "simulator"):
        foreign(tmp_path, name)
    assert run(command, "--version", cwd=tmp_path).returncode == 0
    listed = run(command, "simulate", "--list", cwd=tmp_path)
    assert (listed.returncode, listed.stderr) == (0, "")
    assert not (tmp_path / "was-imported").exists()


def test_a_missing_package_is_named(tmp_path: Path) -> None:
    """A half-removed installation says so instead of failing somewhere inside."""
    for name in ("service", "drivers"):
        shutil.copytree(HOME / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    # -I -S: nothing of this environment, in which all three packages are installed
    code = "import sys; sys.path.insert(0, '.'); from service.__main__ import main; sys.exit(main([]))"
    answer = run(sys.executable, "-I", "-S", "-c", code, cwd=tmp_path)
    assert answer.returncode == 5
    assert "the package 'simulator' of Benchwarden is missing" in answer.stderr


def test_a_bare_checkout_runs_without_being_installed() -> None:
    """`python -m service` beside the three packages."""
    assert run(sys.executable, "-m", "service", "analyze", "--help", cwd=HOME).returncode == 0
    answer = run(sys.executable, "-m", "service", "analyze", "nothing.csv", cwd=HOME)
    assert answer.returncode == 2
