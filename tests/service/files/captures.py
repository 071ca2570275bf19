"""Captures made by hand."""

from __future__ import annotations

import numpy as np

from drivers.scope.capture import Capture, ChannelRecord, Identity, TriggerRecord


def capture(points: int = 1000, dtype: str = "int8", channels: int = 2) -> Capture:
    """A capture with every field set to something that can be recognised."""
    rng = np.random.default_rng(7)
    records = tuple(
        ChannelRecord(
            name=str(n + 1),
            codes=rng.integers(0, 100, points).astype(dtype),
            volts_per_code=0.03125 * (n + 1),
            volts_at_code_zero=1.65,
            code_min=-128,
            code_max=127,
            settings={"probe_ratio": 10.0, "coupling": "DC", "range_v": 8.0},
        )
        for n in range(channels)
    )
    return Capture(
        records,
        4e-8,
        -1e-4,
        TriggerRecord("1", 1.65, "falling", True),
        Identity("Harbour Street", "two-lane", "17", "1.0"),
        "2027-01-12T06:31:08Z",
        {"points": points, "averaging": False, "note": "Tide 7"},
    )


def same(a: Capture, b: Capture) -> bool:
    """True when every field is equal, codes and their type included."""
    fields = ("sample_interval_s", "start_s", "trigger", "identity", "taken_at")
    names = ("name", "volts_per_code", "volts_at_code_zero", "code_min", "code_max")
    return (
        all(getattr(a, f) == getattr(b, f) for f in fields)
        and dict(a.settings) == dict(b.settings)
        and len(a.channels) == len(b.channels)
        and all(
            x.codes.dtype == y.codes.dtype
            and np.array_equal(x.codes, y.codes)
            and dict(x.settings) == dict(y.settings)
            and all(getattr(x, n) == getattr(y, n) for n in names)
            for x, y in zip(a.channels, b.channels, strict=True)
        )
    )
