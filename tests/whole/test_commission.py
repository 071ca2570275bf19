"""A scope is commissioned as a person would do it: a bench in another process, the command, a record, and the
comparison with it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.commissioning.record import differences, read_record

HOME = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(HOME)}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[dict[str, Any]]:
    """Addresses of a simulated bench in a process of its own."""
    child = subprocess.Popen(
        [sys.executable, "-m", "simulator", "--seed", "9"],
        cwd=tmp_path,
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        yield json.loads(child.stdout.readline())
    finally:
        child.terminate()
        child.communicate(timeout=20)


def commission(bench: dict[str, Any], folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "service",
        "commission",
        bench["scope"]["hislip"],
        "--dialect",
        "scpi-1999",
    ]
    return subprocess.run(
        [*command, "--serial", bench["serial"]["socket"], *words],
        cwd=folder,
        env={**ENVIRONMENT, "BENCHWARDEN_LOCKS": str(folder / "locks")},
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )


def test_a_scope_is_proved_and_its_record_still_fits_at_the_second_time(
    bench: dict[str, Any], tmp_path: Path
) -> None:
    """Exit code 0, a table for people, a record for the station check; nothing differs at once again."""
    first = commission(bench, tmp_path, "--save", "sim-1.json")
    assert first.returncode == 0, first.stdout + first.stderr
    assert "traffic rate" in first.stdout
    assert "fails" not in first.stdout
    assert "ground" in first.stderr
    second = commission(bench, tmp_path, "--json")
    assert second.returncode == 0, second.stdout + second.stderr
    now = json.loads(second.stdout)
    found = differences(read_record(tmp_path / "sim-1.json"), now)
    assert [d for d in found if d.kind != "timing"] == []  # timings of a busy host prove nothing here
    assert {"round_trip_s", "set_up_s", "bytes_per_s", "arm_s"} <= set(now["timings"])
