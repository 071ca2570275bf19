"""What a run knew when it took a capture, kept with it, so that the file alone can be judged again.

Flat names with plain values, because a capture's other settings are so too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from service.errors import BadCaptureFile
from service.pipeline.expectation import LOGIC_FAMILIES, Accuracy, Expectation, Limits
from service.pipeline.limits import LimitError, limits_from
from service.pipeline.readings import FrameFormat
from service.shots import channel_label

if TYPE_CHECKING:
    from drivers.scope.capture import Capture, SettingValue
    from service.stations import Station

LIMIT = "limit."
"""Before the name of a limit."""
SEEN_AGAIN = "seen_again"


def known_facts(station: Station, sent: bytes, owed: bytes) -> dict[str, SettingValue]:
    """Of one shot on that station: what was sent for it and before it, and what it is held against."""
    facts: dict[str, SettingValue] = {
        "sent_hex": sent.hex(),
        "owed_hex": owed.hex(),
        "baud": float(station.baud),
        "frame": str(station.frame),
        "logic": station.logic,
        "timebase_ppm": station.accuracy.timebase_ppm,
        "vertical_percent": station.accuracy.vertical_percent,
        "assumed": ",".join(station.accuracy.assumed),
    }
    for role, probe in station.probes.items():
        facts[role] = channel_label(probe.channel)
    for field in fields(Limits):
        value = getattr(station.limits, field.name)
        if value is not None:
            facts[LIMIT + field.name] = ",".join(value) if isinstance(value, tuple) else value
    return facts


def with_heard(capture: Capture, heard: bytes) -> Capture:
    """The same with what the serial link brought meanwhile."""
    return replace(capture, known={**capture.known, "heard_hex": heard.hex()})


def seen_again(capture: Capture) -> Capture:
    """The same, which an earlier record of the same traffic bears out against the serial link."""
    return replace(capture, known={**capture.known, SEEN_AGAIN: True})


def expectation_from(known: Mapping[str, Any], name: str) -> Expectation:
    """The way back; where nothing is known, nothing is expected. BadCaptureFile: it makes no sense."""
    if not known:
        return Expectation()
    stated = {key.removeprefix(LIMIT): value for key, value in known.items() if key.startswith(LIMIT)}
    try:
        if "required" in stated:
            stated["required"] = _words(stated["required"])
        if known["logic"] not in LOGIC_FAMILIES or not 0 < known["baud"] < 1e10:
            raise ValueError(f"no such line: {known['logic']!r}, {known['baud']!r} Bd")
        accuracy = Accuracy(
            float(known["timebase_ppm"]), float(known["vertical_percent"]), _words(known["assumed"])
        )
        return Expectation(
            baud=float(known["baud"]),
            frame=FrameFormat.parse(known["frame"]),
            logic=known["logic"],
            sent=bytes.fromhex(known["sent_hex"]),
            limits=limits_from(stated),
            accuracy=accuracy,
        )
    except (KeyError, TypeError, ValueError, AttributeError, LimitError) as error:
        raise BadCaptureFile(f"{name}: what the run knew is incomplete or wrong: {error}") from error


def bytes_from(known: Mapping[str, Any], key: str, name: str) -> bytes:
    """What stands there as hex; nothing where it does not stand. BadCaptureFile."""
    try:
        return bytes.fromhex(known.get(key, ""))
    except (TypeError, ValueError) as error:
        raise BadCaptureFile(f"{name}: {key} is no hex: {error}") from error


def _words(text: str) -> tuple[str, ...]:
    return tuple(word for word in text.split(",") if word)
