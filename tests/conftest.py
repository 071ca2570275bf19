"""What every test may use. The watchdog of each test is pytest-timeout's, set in pyproject.toml."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest


@pytest.fixture
def need() -> Callable[[bool, str], None]:
    """`need(condition, reason)` skips with the reason; where .ci/run has set all up it fails."""

    def decide(condition: bool, reason: str) -> None:
        if condition:
            return
        if os.environ.get("BENCHWARDEN_NO_SKIPS") == "1":
            pytest.fail(f"would be skipped elsewhere, must run here: {reason}")
        pytest.skip(reason)

    return decide


@pytest.fixture(autouse=True)
def _own_data_folder(tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """No test writes into the data folder of the person who runs it."""
    monkeypatch.setenv("BENCHWARDEN_DATA", str(os.path.join(tmp_path, "benchwarden-data")))
