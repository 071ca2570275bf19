"""From a capture (what the scope delivered, by channel) to a shot (what the pipeline judges, by role).

Imports numpy-only parts: `analyze` uses it without any instrument.
"""

from __future__ import annotations

from drivers.scope.capture import Capture, ChannelRecord
from service.pipeline.trace import Shot, Trace


def channel_label(name: str) -> str:
    """How persons and documents name a channel: "ch1" for the dialect's "1", other names unchanged."""
    return f"ch{name}" if name.isdigit() else name


def trace_of(record: ChannelRecord, capture: Capture) -> Trace:
    """One channel of a capture as a trace; the codes are shared, not copied."""
    return Trace(
        codes=record.codes,
        volts_per_code=record.volts_per_code,
        volts_at_code_zero=record.volts_at_code_zero,
        interval_s=capture.sample_interval_s,
        start_s=capture.start_s,
        code_min=record.code_min,
        code_max=record.code_max,
        channel=channel_label(record.name),
    )


def shot_of(capture: Capture, to_target: str, from_target: str, sent: bytes | None = None) -> Shot:
    """Both roles of a capture; `to_target` and `from_target` are the dialect's channel names.

    Raises:
        KeyError: the capture has no such channel; the message names those that it has.
    """
    return Shot(
        to_target=trace_of(capture.channel(to_target), capture),
        from_target=trace_of(capture.channel(from_target), capture),
        sent=sent,
        triggered=capture.trigger.fired,
        trigger_level_v=capture.trigger.level_v,
    )
