"""What a report says beside the result document: who, where, when, with which instrument and settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from service.shots import channel_label

if TYPE_CHECKING:
    from drivers.scope.capture import Capture, ChannelRecord


@dataclass(frozen=True)
class ReportMeta:
    """Everything optional but the title; what is missing is left out of the report, never invented."""

    title: str
    """E.g. "Echo test at north-3" or "Analysis of bench.csv"."""
    station: str | None = None
    run_id: str | None = None
    source: str | None = None
    """Name of the file that was judged, for an analysis."""
    sent: bytes | None = None
    """What was to be sent, where it is known."""
    started_at: str | None = None
    """UTC, RFC 3339 with Z; the same for `finished_at`."""
    finished_at: str | None = None
    instrument: Mapping[str, str] = field(default_factory=dict)
    """Maker, model, serial number, firmware: as the instrument said."""
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """Groups of settings as read back: {"time base": {...}, "ch1": {...}, "trigger": {...}}."""
    versions: Mapping[str, str] = field(default_factory=dict)
    """Name and version of the software that took part."""
    notes: tuple[str, ...] = ()
    """Sentences for the reader, e.g. what was assumed because nobody stated it."""


def instrument_facts(capture: Capture) -> dict[str, str]:
    """The four fields of `*IDN?`, for `ReportMeta.instrument`."""
    identity = capture.identity
    return {
        "maker": identity.maker,
        "model": identity.model,
        "serial number": identity.serial,
        "firmware": identity.firmware,
    }


def settings_facts(capture: Capture) -> dict[str, dict[str, Any]]:
    """Settings as read back in groups, for `ReportMeta.settings`."""
    first = capture.channels[0] if capture.channels else None
    timebase: dict[str, Any] = {
        "sample_interval_s": capture.sample_interval_s,
        "points": len(first.codes) if first is not None else 0,
        "first_sample_s": capture.start_s,
        **capture.settings,
    }
    trigger = capture.trigger
    groups: dict[str, dict[str, Any]] = {"time base": timebase}
    groups |= {channel_label(c.name): _channel_facts(c) for c in capture.channels}
    groups["trigger"] = {
        "source": trigger.source,
        "level_v": trigger.level_v,
        "slope": trigger.slope,
        "fired": "yes" if trigger.fired else "no, the capture was forced",
    }
    return groups


def _channel_facts(channel: ChannelRecord) -> dict[str, Any]:
    return {"volts_per_code": channel.volts_per_code, **channel.settings}


def software_versions() -> dict[str, str]:
    """Versions of what computes a result: our own and numpy's."""
    import platform
    from importlib.metadata import PackageNotFoundError, version

    import numpy

    try:
        ours = version("benchwarden")
    except PackageNotFoundError:  # run from a checkout that was never installed
        ours = "from a checkout"
    return {"benchwarden": ours, "numpy": numpy.__version__, "python": platform.python_version()}
