"""Captures as NPZ: lossless, sealed, and refused by name when damaged."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from service.errors import BadCaptureFile
from service.files.npz import ABOUT, capture_from_bytes, capture_to_bytes, read_capture, write_capture
from tests.service.files.captures import capture, same


@pytest.mark.parametrize("dtype", ["int8", "uint8", "int16", ">i2", "int32"])
def test_a_capture_comes_back_as_it_was(dtype: str) -> None:
    """Every field, every code and their type survive the file, whichever way the codes were delivered."""
    before = capture(dtype=dtype)
    assert same(capture_from_bytes(capture_to_bytes(before)), before)


def test_codes_that_are_not_contiguous_are_kept_too() -> None:
    """A channel that is every second byte of a block is written like any other."""
    import dataclasses

    block = np.arange(200, dtype=np.int8)
    record = dataclasses.replace(capture().channels[0], codes=block[::2])
    before = dataclasses.replace(capture(), channels=(record,))
    assert same(capture_from_bytes(capture_to_bytes(before)), before)


def test_the_same_capture_gives_the_same_bytes() -> None:
    """No clock goes into the file: evidence can be compared byte by byte."""
    assert capture_to_bytes(capture()) == capture_to_bytes(capture())


def test_numpy_alone_can_read_the_codes(tmp_path: Path) -> None:
    """Somebody without this program opens the file with numpy's own loader."""
    path = tmp_path / "capture.npz"
    write_capture(path, capture())
    with np.load(path, allow_pickle=False) as archive:
        assert np.array_equal(archive["codes-0"], capture().channels[0].codes)
    assert same(read_capture(path), capture())
    assert [p.name for p in tmp_path.iterdir()] == ["capture.npz"]


def _repacked(change: dict[str, bytes | None]) -> bytes:
    """The file with some members replaced or left out, packed anew."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(capture_to_bytes(capture()))) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = change.get(name, old.read(name))
            if content is not None:
                new.writestr(name, content)
    return out.getvalue()


def _npy(array: NDArray[Any]) -> bytes:
    raw = io.BytesIO()
    np.save(raw, array, allow_pickle=True)
    return raw.getvalue()


def _about_with(**changes: object) -> bytes:
    with zipfile.ZipFile(io.BytesIO(capture_to_bytes(capture()))) as archive:
        about = json.loads(archive.read(ABOUT))
    return json.dumps(about | changes).encode()


def test_a_file_that_was_only_packed_anew_is_still_whole() -> None:
    """The seal is over the content, not over how it was packed."""
    assert same(capture_from_bytes(_repacked({})), capture())


def _one_sample_changed() -> bytes:
    codes = capture().channels[0].codes.copy()
    codes[500] += 1
    return _repacked({"codes-0.npy": _npy(codes)})


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "not a whole NPZ file"),
        (b"time_s,ch1_v\n0,1\n", "not a whole NPZ file"),
        (capture_to_bytes(capture())[:-40], "not a whole NPZ file"),
        (_repacked({ABOUT: None}), "not a capture of ours"),
        (_repacked({ABOUT: b"{"}), "not JSON"),
        (_repacked({ABOUT: b"[]"}), "does not describe"),
        (_repacked({ABOUT: _about_with(version=99)}), "version 99"),
        (_repacked({ABOUT: _about_with(channels=[])}), "names no channels"),
        (_repacked({"codes-1.npy": None}), "codes-1.npy is missing"),
        (_repacked({"codes-1.npy": b"rubbish"}), "codes-1.npy is not an array"),
        (_repacked({"codes-1.npy": _npy(np.array([{}]))}), "codes-1.npy is not an array"),
        (_repacked({"codes-1.npy": _npy(np.zeros((2, 2), dtype=np.int8))}), "one row of integers"),
        (_one_sample_changed(), "SHA-256"),
        (_repacked({ABOUT: _about_with(sample_interval_s=5e-8)}), "SHA-256"),
        (_repacked({ABOUT: _about_with(sha256=None)}), "SHA-256"),
    ],
)  # fmt: skip
def test_a_damaged_file_is_refused_and_the_damage_named(data: bytes, says: str) -> None:
    """Cut off, foreign, changed by one sample or one setting: refused with the reason and the name."""
    with pytest.raises(BadCaptureFile, match=says) as caught:
        capture_from_bytes(data, "north-3.npz")
    assert "north-3.npz" in str(caught.value)


def test_a_flipped_bit_anywhere_is_never_taken_for_a_capture() -> None:
    """Every byte of the file in turn: refused, or (unused bytes of the archive) still the same capture."""
    whole = capture_to_bytes(capture(points=50))
    reference = capture_from_bytes(whole)
    for at in range(0, len(whole), 3):
        broken = bytearray(whole)
        broken[at] ^= 0x10
        try:
            assert same(capture_from_bytes(bytes(broken)), reference)
        except BadCaptureFile:
            continue


def test_a_small_file_that_unpacks_to_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is handed in from outside cannot fill the memory."""
    monkeypatch.setattr("service.files.npz.MOST_BYTES", 1000)
    with pytest.raises(BadCaptureFile, match="unpacks to"):
        capture_from_bytes(capture_to_bytes(capture(points=100_000)))
