"""A capture as an NPZ file: raw codes and every setting, without loss, sealed with SHA-256 over the content.

Members: `about.json` (everything but the codes) and `codes-<n>.npy`, one for each channel in order, in the
array format that numpy itself reads. The seal covers the text of `about` and the bytes of all codes, not the
packing, so that a file that was packed anew is still whole and one changed sample is found.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from drivers.scope.capture import Capture, ChannelRecord, Identity, TriggerRecord
from service.errors import BadCaptureFile

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = "benchwarden-capture"
VERSION = 1
ABOUT = "about.json"
MOST_BYTES = 4 << 30
"""Unpacked size that is still read: a small file can unpack to anything."""
MOST_CHANNELS = 64
_EPOCH = (1980, 1, 1, 0, 0, 0)


def capture_to_bytes(capture: Capture) -> bytes:
    """The file's content; the same capture gives the same bytes."""
    codes = [np.ascontiguousarray(c.codes) for c in capture.channels]
    about = _about(capture)
    about["sha256"] = _seal(about, codes)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        _put(archive, ABOUT, json.dumps(about, indent=1, sort_keys=True).encode())
        for number, array in enumerate(codes):
            raw = io.BytesIO()
            npy.write_array(raw, array, allow_pickle=False)
            _put(archive, f"codes-{number}.npy", raw.getvalue())
    return packed.getvalue()


def capture_from_bytes(data: bytes, name: str = "capture") -> Capture:
    """The capture in a file's content; `name` is only used in errors.

    Raises:
        BadCaptureFile: not an NPZ file, not one of ours, cut off, or changed since it was written.
    """
    with opened(data, name) as archive:
        about = _read_about(archive, name)
        codes = [_read_codes(archive, i, name) for i in range(len(about["channels"]))]
    stated = about.pop("sha256", None)
    if stated != _seal(about, codes):
        raise BadCaptureFile(
            f"{name} was changed or damaged after it was written: its SHA-256 does not fit its content"
        )
    return _capture(about, codes, name)


@contextlib.contextmanager
def opened(data: bytes, name: str) -> Iterator[zipfile.ZipFile]:
    """The archive for a `with` block; whatever is wrong with it inside is a BadCaptureFile."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_size(archive, name)
            yield archive
    except (zipfile.BadZipFile, EOFError, OSError, NotImplementedError, RuntimeError) as error:
        raise BadCaptureFile(f"{name} is not a whole NPZ file: {error}") from error
    except zipfile.zlib.error as error:  # type: ignore[attr-defined]
        raise BadCaptureFile(f"{name} is damaged: {error}") from error


def is_capture(data: bytes, name: str) -> bool:
    """True for a capture as a run keeps it, False for an archive of arrays. BadCaptureFile: no archive."""
    with opened(data, name) as archive:
        names = archive.namelist()
    return (
        ABOUT in names
        or not any("/" not in n and n.endswith(".npy") for n in names)
        or "codes-0.npy" in names
    )


def write_capture(path: Path, capture: Capture) -> None:
    """Write the capture so that the file is either whole or not there."""
    part = path.with_name(path.name + ".part")
    part.write_bytes(capture_to_bytes(capture))
    os.replace(part, path)


def read_capture(path: Path) -> Capture:
    """The capture of a file. BadCaptureFile; OSError when the file cannot be opened."""
    return capture_from_bytes(path.read_bytes(), str(path))


def _put(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    entry = zipfile.ZipInfo(name, _EPOCH)  # no clock: the same capture gives the same bytes
    entry.compress_type = zipfile.ZIP_DEFLATED
    archive.writestr(entry, content, compresslevel=1)  # an entry of its own does not take the archive's


def _about(capture: Capture) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": VERSION,
        "sample_interval_s": capture.sample_interval_s,
        "start_s": capture.start_s,
        "taken_at": capture.taken_at,
        "identity": dataclasses.asdict(capture.identity),
        "trigger": dataclasses.asdict(capture.trigger),
        "settings": dict(capture.settings),
        **({"known": dict(capture.known)} if capture.known else {}),
        "channels": [_about_channel(c) for c in capture.channels],
    }


def _about_channel(record: ChannelRecord) -> dict[str, Any]:
    names = ("name", "volts_per_code", "volts_at_code_zero", "code_min", "code_max")
    return {n: getattr(record, n) for n in names} | {"settings": dict(record.settings)}


def _seal(about: dict[str, Any], codes: Sequence[NDArray[Any]]) -> str:
    """SHA-256 over the description (keys sorted, no seal in it) and each array's type, length and bytes."""
    text = json.dumps(about, sort_keys=True, separators=(",", ":"))
    digest = hashlib.sha256(text.encode())
    for array in codes:
        digest.update(f"|{array.dtype.str}|{len(array)}|".encode())
        digest.update(np.ascontiguousarray(array).view(np.uint8).data)
    return digest.hexdigest()


def _check_size(archive: zipfile.ZipFile, name: str) -> None:
    total = sum(entry.file_size for entry in archive.infolist())
    if total > MOST_BYTES:
        raise BadCaptureFile(f"{name} unpacks to {total} bytes, more than the {MOST_BYTES} that are read")


def _read_about(archive: zipfile.ZipFile, name: str) -> dict[str, Any]:
    if ABOUT not in archive.namelist():
        raise BadCaptureFile(f"{name} is an NPZ file, but not a capture of ours: it has no {ABOUT}")
    try:
        about = json.loads(archive.read(ABOUT))
    except (ValueError, RecursionError) as error:
        raise BadCaptureFile(f"{name}: {ABOUT} is not JSON: {error}") from error
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise BadCaptureFile(f"{name}: {ABOUT} does not describe a {FORMAT}")
    if about.get("version") != VERSION:
        raise BadCaptureFile(f"{name} has version {about.get('version')!r}, this program reads {VERSION}")
    channels = about.get("channels")
    if not isinstance(channels, list) or not 0 < len(channels) <= MOST_CHANNELS:
        raise BadCaptureFile(f"{name}: {ABOUT} names no channels")
    return about


def _read_codes(archive: zipfile.ZipFile, number: int, name: str) -> NDArray[Any]:
    member = f"codes-{number}.npy"
    if member not in archive.namelist():
        raise BadCaptureFile(f"{name} is cut off: {member} is missing")
    try:
        array = npy.read_array(io.BytesIO(archive.read(member)), allow_pickle=False)
    except (ValueError, MemoryError) as error:
        raise BadCaptureFile(f"{name}: {member} is not an array: {error}") from error
    if array.ndim != 1 or array.dtype.kind not in "iu":
        raise BadCaptureFile(f"{name}: {member} must be one row of integers, was {array.dtype} {array.shape}")
    return np.asarray(array)


def _capture(about: dict[str, Any], codes: Sequence[NDArray[Any]], name: str) -> Capture:
    try:
        channels = tuple(
            ChannelRecord(codes=array, **_of_kinds(channel, CHANNEL))
            for array, channel in zip(codes, about["channels"], strict=True)
        )
        whole = _of_kinds({key: about[key] for key in CAPTURE}, CAPTURE)
        for scale in (whole["sample_interval_s"], *(abs(channel.volts_per_code) for channel in channels)):
            if not scale > LEAST:
                raise ValueError(f"a scale or an interval is {scale!r}")
        return Capture(
            channels,
            float(whole["sample_interval_s"]),
            float(whole["start_s"]),
            TriggerRecord(**_of_kinds(about["trigger"], TRIGGER)),
            Identity(**_of_kinds(about["identity"], IDENTITY)),
            whole["taken_at"],
            whole["settings"],
            _of_kinds({"known": about.get("known", {})}, {"known": "a table of settings"})["known"],
        )
    except (KeyError, TypeError, ValueError) as error:
        raise BadCaptureFile(f"{name}: {ABOUT} is incomplete or wrong: {error}") from error


def _of_kinds(record: Any, kinds: Mapping[str, str]) -> dict[str, Any]:
    """The record, when each value in it is of its kind; KeyError, TypeError."""
    for key, kind in kinds.items():
        if not KINDS[kind](record[key]):
            raise TypeError(f"{key} must be {kind}, was {record[key]!r:.60}")
    return dict(record)


def _is_number(value: Any) -> bool:
    """No NaN, nothing infinite, and nothing with which volts or seconds could not be reckoned."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < GREATEST


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and _is_number(value)


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and not any("\ud800" <= sign <= "\udfff" for sign in value)


def _are_settings(value: Any) -> bool:
    return isinstance(value, dict) and all(
        isinstance(each, bool) or _is_text(each) or _is_number(each) for each in value.values()
    )


LEAST, GREATEST = 1e-15, 1e15
"""Between these lie all scales, intervals, volts and seconds of a bench."""
KINDS: dict[str, Callable[[Any], bool]] = {
    "a number": _is_number,
    "a whole number": _is_whole,
    "a text": _is_text,
    "true or false": lambda value: isinstance(value, bool),
    "a table of settings": _are_settings,
}
CHANNEL = {
    "name": "a text",
    "volts_per_code": "a number",
    "volts_at_code_zero": "a number",
    "code_min": "a whole number",
    "code_max": "a whole number",
    "settings": "a table of settings",
}
CAPTURE = {
    "sample_interval_s": "a number",
    "start_s": "a number",
    "taken_at": "a text",
    "settings": "a table of settings",
}
TRIGGER = {"source": "a text", "level_v": "a number", "slope": "a text", "fired": "true or false"}
IDENTITY = dict.fromkeys(("maker", "model", "serial", "firmware"), "a text")
