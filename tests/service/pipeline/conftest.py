"""What the tests of the pipeline share."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    """Noise that is the same on every run."""
    return np.random.default_rng(20270112)
