"""One capture held against the settings that were read back: lengths, scale and time base against each
other. Pure functions on records; where a dialect takes a number from the settings themselves there is
nothing to compare, and that is said."""

from __future__ import annotations

import math

import numpy as np

from drivers.scope.capture import Capture, ChannelRecord
from drivers.scope.dialect import Fetch
from drivers.scope.setup import ChannelState, ScopeState
from service.commissioning.outcome import DIFFERS, FAILS, WORKS, NotTried, Seen, worst

SPAN_SAME, SPAN_NEAR = 0.02, 1.35
"""Scopes show 8 or 10 divisions and often convert a little more: up to this factor that is a difference."""
CENTRE_SAME, CENTRE_NEAR = 0.02, 0.1
INTERVAL_SAME, INTERVAL_NEAR = 1e-3, 1.5
GAIN_SAME, CODES_SAME = 0.03, 3.0
"""Two captures of one level in different windows agree within 3 % and three codes: the accuracy of usual
8-bit scopes (common practice, no source)."""


def lengths(capture: Capture, state: ScopeState) -> Seen:
    """As many samples as the record length that was read back, on every channel."""
    counts = {record.name: len(record.codes) for record in capture.channels}
    if set(counts.values()) == {state.points}:
        return WORKS, f"{state.points} samples on each of {len(counts)} channels"
    return FAILS, f"{counts} samples came where the record length reads back as {state.points}"


def scale(capture: Capture, state: ScopeState, fetch: Fetch) -> Seen:
    """The converter's ends in volts against the window that was read back."""
    scales = ("volts_per_code", "window", "per_division")
    if any(name in fetch.terms and fetch.terms[name].setting for name in scales):
        raise NotTried("the scale is taken from the range setting itself; see the comparison of two windows")
    seen = [_scale_of(record, state.channels[record.name]) for record in capture.channels]
    return worst(tuple(outcome for outcome, _ in seen)), "; ".join(says for _, says in seen)


def _scale_of(record: ChannelRecord, channel: ChannelState) -> Seen:
    codes = record.code_max - record.code_min + 1
    span = abs(codes * record.volts_per_code)
    centre = (record.code_max + record.code_min + 1) / 2 * record.volts_per_code + record.volts_at_code_zero
    factor, shift = span / channel.range_v, abs(centre - channel.offset_v) / channel.range_v
    says = (
        f"ch{record.name}: the codes span {span:.4g} V around {centre:.4g} V, the settings say "
        f"{channel.range_v:.4g} V around {channel.offset_v:.4g} V"
    )
    if abs(factor - 1) <= SPAN_SAME and shift <= CENTRE_SAME:
        return WORKS, says
    if 1 / SPAN_NEAR <= factor <= SPAN_NEAR and shift <= CENTRE_NEAR:
        return DIFFERS, says
    return FAILS, f"{says}: {_what_to_compare(factor, shift)}"


def _what_to_compare(factor: float, shift: float) -> str:
    """`factor` of the spans, `shift` of the centres in windows."""
    if abs(factor - 1) <= SPAN_SAME and abs(shift - 0.5) <= CENTRE_SAME:
        return "half a window off: compare code_reference in [fetch.terms] and signed in [fetch.code]"
    if any(abs(factor / twice - 1) <= SPAN_SAME for twice in (2.0, 0.5)):
        return 'a factor of two: compare means of [channel.range] ("window" or "half") and the terms'
    return "compare the terms of the conversion, their units, and tip or input"


def time_base(capture: Capture, state: ScopeState, fetch: Fetch) -> Seen:
    """What the record says of its time base against the settings that were read back."""
    if "sample_interval" not in fetch.terms:
        raise NotTried("the record states no sample interval of its own; only a known signal can prove it")
    factor = capture.sample_interval_s / state.sample_interval_s
    says = (
        f"the record says {capture.sample_interval_s:.6g} s from sample to sample, the settings say "
        f"{state.sample_interval_s:.6g} s"
    )
    if abs(factor - 1) <= INTERVAL_SAME:
        return WORKS, says
    return (DIFFERS, says) if 1 / INTERVAL_NEAR < factor < INTERVAL_NEAR else (FAILS, says)


def trigger_place(capture: Capture, state: ScopeState, fetch: Fetch) -> Seen:
    """Where the record says that it starts against the settings that were read back."""
    if not {"start", "time_before", "trigger_point"} & set(fetch.terms):
        raise NotTried("the record does not state where its trigger is; only a known signal can prove it")
    apart = abs(capture.start_s - state.start_s) / state.sample_interval_s
    says = (
        f"the record says that it starts {capture.start_s:.6g} s after the trigger, the settings say "
        f"{state.start_s:.6g} s"
    )
    if apart <= 1.01:
        return WORKS, says
    return (DIFFERS, says) if apart <= max(0.01 * state.points, 2) else (FAILS, says)


def codes(capture: Capture) -> Seen:
    """All codes inside the converter's ends, and not all of them at one end."""
    for record in capture.channels:
        low, high = int(record.codes.min()), int(record.codes.max())
        ends = f"{record.code_min}..{record.code_max}"
        if low < record.code_min or high > record.code_max:
            return FAILS, f"ch{record.name}: codes {low}..{high} lie outside the converter's ends {ends}"
    ranges = [f"ch{r.name} {int(r.codes.min())}..{int(r.codes.max())}" for r in capture.channels]
    return WORKS, "codes " + ", ".join(ranges)


def same_volts(captures: list[Capture]) -> Seen:
    """One quiet line in several windows: whatever the codes are, the volts must be the same."""
    seen = [_same_volts_of(name, captures) for name in (record.name for record in captures[0].channels)]
    tried = [one for one in seen if one is not None]
    if not tried:
        raise NotTried("every line lies outside one of the windows")
    return worst(tuple(outcome for outcome, _ in tried)), "; ".join(says for _, says in tried)


def _same_volts_of(name: str, captures: list[Capture]) -> Seen | None:
    records = [capture.channel(name) for capture in captures]
    middles = [float(np.median(record.codes)) for record in records]
    if any(not r.code_min < middle < r.code_max for r, middle in zip(records, middles, strict=True)):
        return None
    volts = [m * r.volts_per_code + r.volts_at_code_zero for r, m in zip(records, middles, strict=True)]
    allowed = max(CODES_SAME * abs(r.volts_per_code) for r in records) + GAIN_SAME * max(map(abs, volts))
    apart = max(volts) - min(volts)
    says = f"ch{name}: {', '.join(f'{v:.4g} V' for v in volts)}"
    if apart <= allowed:
        return WORKS, says
    if math.isclose(max(volts), min(volts), rel_tol=0.15, abs_tol=2 * allowed):
        return DIFFERS, f"{says}: {apart:.3g} V apart, more than {allowed:.3g} V"
    return FAILS, f"{says} for one line: range, offset or the terms of the conversion are wrong"
