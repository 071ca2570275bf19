"""Kinds of benches that only a station check can name, and those that take a number."""

from __future__ import annotations

from simulator.changes import (
    both,
    bridge_clock,
    compensation,
    probe,
    scope,
    target_clock,
    target_driver,
    vertical,
)
from simulator.kinds import Kind, ScaledKind
from simulator.plan import FROM_TARGET, REFERENCE, TO_TARGET

FLAT_PERCENT = 2.0
"""A probe within this is trimmed well (common practice, no source)."""
TRAFFIC_PERCENT = 5.0
"""What an unattended check holds against a probe."""


def _compensation_code(limit: float, percent: float) -> str | None:
    if abs(percent) <= limit:
        return None
    return "probe-overcompensated" if percent > 0 else "probe-undercompensated"


SCALED_BENCHES = (
    ScaledKind(
        "compensation", "trimmer of the from-target probe", "%", -25.0, 25.0,
        lambda percent: compensation(2, percent),
        lambda percent: _compensation_code(TRAFFIC_PERCENT, percent),
        guided=lambda percent: _compensation_code(FLAT_PERCENT, percent),
    ),
    ScaledKind(
        "compensation-to-target", "trimmer of the to-target probe", "%", -25.0, 25.0,
        lambda percent: compensation(1, percent),
        lambda percent: _compensation_code(TRAFFIC_PERCENT, percent),
        guided=lambda percent: _compensation_code(FLAT_PERCENT, percent),
    ),
    ScaledKind(
        "gain", "gain of the from-target channel", "%", -50.0, 50.0,
        lambda percent: vertical(2, gain_error=percent / 100),
        lambda percent: "differs-from-usual" if abs(percent) >= 3 else None,
        seen_by="usual",
        guided=lambda percent: "channels-differ" if abs(percent) >= 3 else None,
    ),
    ScaledKind(
        "gain-to-target", "gain of the to-target channel", "%", -50.0, 50.0,
        lambda percent: vertical(1, gain_error=percent / 100),
        lambda percent: "differs-from-usual" if abs(percent) >= 3 else None,
        seen_by="usual",
        guided=lambda percent: "channels-differ" if abs(percent) >= 3 else None,
    ),
    ScaledKind(
        "time-base", "clock of the scope", "ppm", -50_000.0, 50_000.0,
        lambda ppm: scope(clock_ppm=ppm),
        lambda ppm: "time-base-off" if abs(ppm) >= 100 else None,
        seen_by="room",
    ),
    ScaledKind(
        "board-clock", "clock of the board", "ppm", -50_000.0, 50_000.0, target_clock,
        lambda ppm: "rate-off" if abs(ppm) > 20_000 else None,
    ),
    ScaledKind(
        "bridge-clock", "clock of the serial adapter", "ppm", -50_000.0, 50_000.0, bridge_clock,
        lambda ppm: "rate-off" if abs(ppm) > 20_000 else None,
    ),
    ScaledKind(
        "contact", "the from-target probe loses contact for 1 ms so often", "1/s", 0.0, 100.0,
        lambda per_s: probe(2, dropouts_per_s=per_s),
        lambda per_s: "contact-lost" if per_s > 0 else None,
        seen_by="wiggle",
    ),
    ScaledKind(
        "contact-to-target", "the to-target probe loses contact for 1 ms so often", "1/s", 0.0, 100.0,
        lambda per_s: probe(1, dropouts_per_s=per_s),
        lambda per_s: "contact-lost" if per_s > 0 else None,
        seen_by="wiggle",
    ),
    ScaledKind(
        "skew", "delay of the from-target channel", "ns", -100.0, 100.0,
        lambda ns: vertical(2, delay_s=ns * 1e-9),
        lambda ns: "channels-skewed" if abs(ns) > 6 else None,
        seen_by="guided",
    ),
)  # fmt: skip

CHECK_BENCHES = (
    Kind(
        "noisy-to-target",
        "the to-target channel has 0.35 V rms of noise",
        vertical(1, noise_v=0.035),
        "noisy",
        seen_by="check",
    ),
    Kind(
        "loose-ground",
        "the ground clip of the from-target probe is loose: hum and ringing",
        probe(2, hum_v=0.3, ringing=0.35),
        "noisy",
        seen_by="check",
    ),
    Kind(
        "offset",
        "the zero of the from-target channel is 0.25 V off at the tip",
        vertical(2, offset_error_v=0.025),
        "zero-off",
        seen_by="check",
    ),
    Kind(
        "dead-from-target",
        "the from-target channel sees nothing",
        vertical(2, dead=True),
        "line-undriven",
        seen_by="check",
    ),
    Kind(
        "both-dead",
        "neither channel sees anything",
        both(vertical(1, dead=True), vertical(2, dead=True)),
        "no-activity",
        seen_by="check",
    ),
    Kind(
        "both-on-to-target",
        "both probes hang on the to-target line",
        probe(2, node=TO_TARGET),
        "lines-bridged",
        seen_by="check",
    ),
    Kind(
        "both-on-from-target",
        "both probes hang on the from-target line",
        probe(1, node=FROM_TARGET),
        "lines-bridged",
        seen_by="check",
    ),
    Kind(
        "left-on-reference",
        "somebody left the to-target probe on the reference terminal",
        probe(1, node=REFERENCE),
        "reference-on-line",
        seen_by="check",
    ),
    Kind(
        "bridge-clock-off",
        "the serial adapter sends 2.6 % too fast",
        bridge_clock(26_000.0),
        "rate-off",
        seen_by="check",
    ),
    Kind(
        "nine-volts",
        "the board's output stage hangs on a 9 V supply",
        target_driver(high_v=9.0),
        "voltage-too-high",
        seen_by="check",
    ),
    Kind(
        "board-clock-off",
        "the board's clock is 2.6 % fast",
        target_clock(26_000.0),
        "rate-off",
        seen_by="check",
    ),
    Kind(
        "errors-left",
        "two entries stand in the error queue from before",
        scope(errors_left=(-310, -321)),
        "instrument-error",
        seen_by="check",
    ),
    Kind(
        "gain-3-percent",
        "the gain of the from-target channel is 3 % high",
        vertical(2, gain_error=0.03),
        "differs-from-usual",
        seen_by="usual",
        guided="channels-differ",
    ),
    Kind(
        "gain-3-percent-to-target",
        "the gain of the to-target channel is 3 % low",
        vertical(1, gain_error=-0.03),
        "differs-from-usual",
        seen_by="usual",
        guided="channels-differ",
    ),
    Kind(
        "time-base-100ppm",
        "the clock of the scope is 100 ppm slow",
        scope(clock_ppm=-100.0),
        "time-base-off",
        seen_by="room",
    ),
    Kind(
        "time-base-200ppm",
        "the clock of the scope is 200 ppm slow",
        scope(clock_ppm=-200.0),
        "time-base-off",
        seen_by="room",
    ),
    Kind(
        "intermittent",
        "the from-target probe loses contact for 1 ms twice a second",
        probe(2, dropouts_per_s=2.0),
        "contact-lost",
        seen_by="wiggle",
    ),
    Kind(
        "intermittent-to-target",
        "the to-target probe loses contact for 1 ms twice a second",
        probe(1, dropouts_per_s=2.0),
        "contact-lost",
        seen_by="wiggle",
    ),
    Kind(
        "skewed",
        "the from-target channel comes 12 ns late",
        vertical(2, delay_s=12e-9),
        "channels-skewed",
        seen_by="guided",
    ),
    Kind(
        "drifting",
        "gain of the from-target channel and trimmer of its probe drift, 0.1 % and 0.05 pF a week",
        both(vertical(2, gain_per_week=0.001), probe(2, trimmer_pf_per_week=0.05)),
        "differs-from-usual",
        seen_by="history",
    ),
)
