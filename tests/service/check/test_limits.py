"""Limits of a station check: each with its reason, each of them in use, each to be stated by a station."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.check.items import ITEMS
from service.check.limits import CHECK_LIMITS, CheckLimitError, CheckLimits, check_limits_from
from service.errors import BadStationsFile
from service.stations import load_stations
from tests.service.bench_of_straw import station

STATION = """
[[station]]
name = "north-1"
scope = "TCPIP::127.0.0.1::9::SOCKET"
dialect = "scpi-1999"
serial = "socket://127.0.0.1:9"
baud = 230400
frame = "8N1"
logic = "3.3"
commissioned = "papers/north-1.json"
[station.probes]
to_target = {channel = "1", ratio = 10}
from_target = {channel = "2", ratio = 10}
[station.check_limits]
"""


def loaded(folder: Path, lines: str) -> Any:
    path = folder / "stations.toml"
    path.write_text(STATION + lines)
    return load_stations(path)[0]


def test_every_limit_says_why_it_is_what_it_is_and_where_that_comes_from() -> None:
    """Where nobody wrote it down, it says so."""
    for row in CHECK_LIMITS:
        assert row.default > 0
        assert len(row.reason) > 30
        assert row.source
    named = {name for kind in ITEMS for name in kind.limits if name}
    assert named <= {row.name for row in CHECK_LIMITS}


def test_a_station_states_its_own_and_a_path_counts_from_the_file(tmp_path: Path) -> None:
    """The others stay as they are."""
    found = loaded(tmp_path, "noise_percent = 4\nlatency_change_s = 2e-4\n")
    assert (found.check_limits.noise_percent, found.check_limits.latency_change_s) == (4.0, 2e-4)
    assert found.check_limits.zero_percent == CheckLimits().zero_percent
    assert found.commissioned == str(tmp_path / "papers" / "north-1.json")
    assert station().check_limits == CheckLimits()


@pytest.mark.parametrize(
    ("lines", "words"),
    [("noise_percnt = 4", "did you mean 'noise_percent'"), ("noise_percent = 0", "above zero"),
     ('noise_percent = "4"', "above zero"), ("noise_percent = true", "above zero")],
)  # fmt: skip
def test_a_limit_that_cannot_be_is_refused_with_what_would_be_right(
    tmp_path: Path, lines: str, words: str
) -> None:
    """File, station and key stand in the sentence."""
    with pytest.raises(BadStationsFile, match=words) as refused:
        loaded(tmp_path, lines)
    assert "north-1" in str(refused.value)
    assert "check_limits" in str(refused.value)


def test_an_unknown_limit_names_the_nearest() -> None:
    """Also where no file is."""
    with pytest.raises(CheckLimitError, match="nearest one is 'crosstalk_percent'"):
        check_limits_from({"crostalk": 3})
