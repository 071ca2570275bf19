"""What is fuzzed: each target takes bytes, and raises where the program breaks a promise."""

from __future__ import annotations

import copy
import io
import json
import zipfile
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from service.analysis import AnalysisOptions, analyse
from service.errors import BadCaptureFile, BadInput
from service.files.csv_trace import parse_csv
from service.files.npz import _seal, capture_from_bytes, capture_to_bytes
from service.pipeline.chain import judge
from service.pipeline.document import result_document
from tests.fuzz.choices import Choices
from tests.fuzz.records import shot_of

MOST_JUDGED = 4000
"""Samples up to which a trace that could be read is judged as well."""
ODD_VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 1 << 70, 1e14, 1e308, 5e-324, 1e-14, float("nan"), float("inf"), "", "1", [], [1], {},
    {"a": 1}, "\ud800", "x" * 300,
)  # fmt: skip


def csv(data: bytes) -> None:
    """A CSV file is read or refused in one sentence; what was read can be judged."""
    try:
        table = parse_csv(data, "fuzzed")
    except BadCaptureFile:
        return
    assert table.volts.shape[0] == len(table.channels) >= 1
    assert np.isfinite(table.volts).all()
    assert np.isfinite(table.interval_s)
    assert table.interval_s > 0
    assert np.isfinite(table.start_s)
    _judge_file(data, table.channels, table.volts.shape[1])


def _judge_file(data: bytes, channels: Sequence[str], samples: int) -> None:
    """As `analyze` does; refused only for what the options say."""
    if samples <= MOST_JUDGED and len(channels) > 1:
        options = AnalysisOptions(to_target=channels[0], from_target=channels[1])
        check(analyse(data, "fuzzed", options).document)


def npz(data: bytes) -> None:
    """An NPZ file, whole or with a few odd values under a right seal, is read or refused in one sentence;
    what was read can be written and read again.
    """
    choices = Choices(data)
    packed = choices.rest() if choices.number(4) == 0 else _sealed(choices)
    try:
        capture = capture_from_bytes(packed, "fuzzed")
    except BadCaptureFile:
        return
    again = capture_from_bytes(capture_to_bytes(capture), "written again")
    assert [c.codes.tolist() for c in again.channels] == [c.codes.tolist() for c in capture.channels]
    try:
        _judge_file(packed, [c.name for c in capture.channels], len(capture.channels[0].codes))
    except (BadCaptureFile, BadInput):
        return  # channels of one name, or odd values among what a run knew: refused when they are used


def arrays(data: bytes) -> None:
    """Arrays of anybody's are read or refused in one sentence; what was read can be judged."""
    choices = Choices(data)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in ("time_s", "ch1_v", "ch2_v", choices.one(("note", "TIME_S", "ch1_V", "_v", "codes-1"))):
            kind = choices.one(("steps", "<f8", "<f4", "<f2", "<i4", "|b1", "<U2", "<c8"))
            raw = choices.some(64)
            plain = np.arange(32) * 1e-6 if kind == "steps" else np.frombuffer(raw[: len(raw) // 8 * 8], kind)
            content = io.BytesIO()
            np.save(content, plain.reshape(-1, 1) if choices.number(16) == 1 else plain, allow_pickle=False)
            cut = choices.number(64) if choices.number(16) == 1 else 0
            archive.writestr(f"{name}.npy", content.getvalue()[: len(content.getvalue()) - cut])
    try:
        check(analyse(packed.getvalue(), "fuzzed", AnalysisOptions()).document)
    except BadCaptureFile:
        return


def _sealed(choices: Choices) -> bytes:
    """A file of ours in which some values of the description are odd, and its arrays any bytes."""
    about = json.loads(json.dumps(ABOUT))
    for _ in range(choices.number(3)):
        _spoil(about, choices)
    cut = choices.number(64) if choices.number(8) == 0 else 0
    kind = choices.one(("<i1", "<i2", ">i2", "<u1", "<u2", "<i4", "<f4", "|b1", "<U2", "<M8[s]"))
    raw = choices.some(64)
    codes = [np.frombuffer(raw[: len(raw) // 8 * 8], kind) for _ in range(2)]
    if choices.number(8) == 0:
        codes = [each.reshape(1, -1) for each in codes]
    if choices.number(4) == 1:
        about["known"] = dict(KNOWN)
        _spoil(about["known"], choices)
    try:
        about["sha256"] = _seal(about, codes)
    except (TypeError, ValueError):
        about["sha256"] = "0"
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("about.json", json.dumps(about))
        for number, each in enumerate(codes):
            array = io.BytesIO()
            np.save(array, each, allow_pickle=False)
            content = array.getvalue()
            archive.writestr(f"codes-{number}.npy", content[: len(content) - cut])
    return packed.getvalue()


def _spoil(about: Any, choices: Choices) -> None:
    """One value somewhere in the description becomes another, or goes."""
    while True:
        keys = list(about) if isinstance(about, dict) else list(range(len(about)))
        if not keys:
            return
        key = choices.one(keys)
        if isinstance(about[key], (dict, list)) and choices.number(4):
            about = about[key]
            continue
        if choices.number(8):
            about[key] = copy.deepcopy(choices.one(ODD_VALUES))
        else:
            del about[key]
        return


def record(data: bytes) -> None:
    """Any record is judged without a fault of ours, and its document can be written as JSON."""
    shot, expectation = shot_of(Choices(data))
    check(result_document(judge([shot], expectation)))


def check(document: dict[str, Any]) -> None:
    """What holds for every result document."""
    assert document["verdict"] in ("pass", "fail", "inconclusive")
    json.dumps(document, allow_nan=False)
    sides = {finding["side"] for finding in document["findings"] if finding["severity"] == "fail"}
    if document["verdict"] == "fail":
        assert "device" in sides or any(c["verdict"] == "fail" for c in document["criteria"])
    for line in document["lines"].values():
        for character in line["characters"]:
            assert character["end_s"] >= character["start_s"]


ABOUT: dict[str, Any] = {
    "format": "benchwarden-capture",
    "version": 1,
    "sample_interval_s": 2e-8,
    "start_s": 0.0,
    "taken_at": "2027-01-12T06:31:08Z",
    "identity": {"maker": "Harbour", "model": "S1", "serial": "7", "firmware": "1"},
    "trigger": {"source": "ch1", "level_v": 1.6, "slope": "rising", "fired": True},
    "settings": {},
    "channels": [
        {"name": name, "volts_per_code": 0.04, "volts_at_code_zero": 1.6, "code_min": -128, "code_max": 127,
         "settings": {}}
        for name in ("1", "2")
    ],
}  # fmt: skip

KNOWN: dict[str, Any] = {
    "sent_hex": "5469646520372061742074686520686172", "owed_hex": "41", "heard_hex": "54", "baud": 230_400.0,
    "frame": "8N1", "logic": "3.3", "timebase_ppm": 25.0, "vertical_percent": 3.0, "assumed": "timebase_ppm",
    "to_target": "ch1", "from_target": "ch2", "limit.rate_percent": 2.0, "limit.required": "content,rate",
    "seen_again": True,
}  # fmt: skip

TARGETS: dict[str, Callable[[bytes], None]] = {"arrays": arrays, "csv": csv, "npz": npz, "record": record}
LONGEST = {"arrays": 4096, "csv": 4096, "npz": 4096, "record": 8192}
"""Bytes of an input of each."""
