"""Inputs that fuzzing has found to break a promise, each mended since; and the seeds from which it starts."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fuzz.seeds import SEEDS
from tests.fuzz.targets import LONGEST, TARGETS

FOUND = sorted(path for path in Path(__file__).with_name("found").glob("*/*") if path.is_file())


def test_what_was_found_once_is_mended() -> None:
    """No saved input raises any more, nor does it warn."""
    for path in FOUND:
        TARGETS[path.parent.name](path.read_bytes())


@pytest.mark.parametrize("target", sorted(TARGETS))
def test_the_seeds_keep_the_promises(target: str) -> None:
    """Fuzzing starts from inputs that are in order."""
    for seed in SEEDS[target]():
        TARGETS[target](seed)


def test_every_target_has_its_seeds_and_its_greatest_length() -> None:
    """A new target cannot be forgotten in a table that only a run of the fuzzer reads."""
    assert SEEDS.keys() == TARGETS.keys() == LONGEST.keys()
