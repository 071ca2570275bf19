"""Small capture files for the commands' tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from drivers.scope.capture import Capture, ChannelRecord, Identity, SettingValue, TriggerRecord
from service.files.npz import write_capture
from service.pipeline.trace import Shot, Trace
from tests.service.report import documents as made


def write_csv(path: Path, shot: Shot, names: tuple[str, str] = ("ch1_v", "ch2_v")) -> Path:
    """Both lines of a shot as volts."""
    one, other = shot.to_target, shot.from_target
    times = one.start_s + np.arange(len(one)) * one.interval_s
    rows = zip(times, one.volts(), other.volts(), strict=True)
    lines = [f"time_s,{names[0]},{names[1]}", *(f"{t:.9g},{a:.6g},{b:.6g}" for t, a, b in rows)]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_npz(path: Path, shot: Shot) -> Path:
    """The same as a sealed capture."""
    trigger = TriggerRecord("1", 1.65, "falling", True)
    identity = Identity("Quayside Instruments", "QS-2", "00317", "1.4")
    channels = tuple(_record(n, t) for n, t in (("1", shot.to_target), ("2", shot.from_target)))
    one = shot.to_target
    write_capture(
        path, Capture(channels, one.interval_s, one.start_s, trigger, identity, "2027-01-12T06:31:08Z")
    )
    return path


def _record(name: str, trace: Trace) -> ChannelRecord:
    settings: dict[str, SettingValue] = {"probe_ratio": 10.0, "range_v": 6.5536, "coupling": "DC"}
    codes = trace.codes.copy()
    return ChannelRecord(name, codes, trace.volts_per_code, trace.volts_at_code_zero, -128, 127, settings)


def good_shot() -> Shot:
    """Six characters, six echoes, 8N1 at 230,400 Bd."""
    return made.good()[1][0]


def missing_shot() -> Shot:
    """The fourth character has no echo."""
    return made.one_missing()[1][0]
