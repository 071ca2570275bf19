"""Kinds of benches, one row each. Those that only a station check names, and those of the trigger's settings,
stand in files of their own and at the end of this table.
"""

from __future__ import annotations

from simulator.changes import (
    as_it_is,
    both,
    bridge,
    bridged,
    on_reference,
    probe,
    scope,
    undriven,
    vertical,
)
from simulator.check_benches import CHECK_BENCHES
from simulator.kinds import Kind
from simulator.plan import FROM_TARGET, TO_TARGET
from simulator.trigger_benches import TRIGGER_BENCHES

BENCHES = (
    Kind("good", "nothing wrong", as_it_is),
    Kind(
        "probe-ratio-off",
        "the switch of the from-target probe stands at x1",
        probe(2, ratio=1),
        "probe-ratio",
    ),
    Kind(
        "both-ratios-off",
        "the switches of both probes stand at x1",
        both(probe(1, ratio=1), probe(2, ratio=1)),
        "probe-ratio",
    ),
    Kind(
        "probes-exchanged",
        "each probe hangs on the other line",
        both(probe(1, node=FROM_TARGET), probe(2, node=TO_TARGET)),
        "probes-exchanged",
    ),
    Kind("lines-bridged", "the two lines are one node", bridged, "lines-bridged"),
    Kind(
        "trigger-outside",
        "the trigger circuit sits at -2 V and says so",
        scope(trigger_stuck_v=-2.0),
        "trigger-outside-signal",
    ),
    Kind(
        "crosstalk",
        "steps of the other line couple into the from-target probe",
        probe(2, crosstalk=0.35),
        "crosstalk",
    ),
    Kind(
        "range-stuck",
        "the window of the from-target channel sits at 2 V and says so",
        vertical(2, range_stuck_v=0.2),
        "clipped",
    ),
    Kind(
        "zero-shifted",
        "the zero of the from-target channel is 0.9 V off",
        vertical(2, offset_error_v=0.09),
        "zero-shifted",
    ),
    Kind(
        "channel-inverted",
        "the from-target channel is set to inverted",
        vertical(2, gain_error=-2.0),
        "channel-inverted",
    ),
    Kind("gain-off", "the gain of the from-target channel is 12 % low", vertical(2, gain_error=-0.12), None),
    Kind("noisy", "the from-target channel has 0.35 V rms of noise", vertical(2, noise_v=0.035), "noisy"),
    Kind(
        "glitches",
        "the from-target probe picks up short pulses",
        probe(2, glitches_per_s=8000.0),
        "glitches",
    ),
    Kind(
        "long-ground",
        "the from-target probe hangs on a long ground lead and rings",
        probe(2, ringing=0.3),
        None,
    ),
    Kind("line-undriven", "nothing drives the from-target line", undriven, "line-undriven"),
    Kind(
        "stimulus-differs", "the adapter loses the 2nd byte of every 5", bridge(loses=5), "stimulus-differs"
    ),
    Kind("link-dead", "the adapter's wires are off", bridge(connected=False), "link-silent"),
    Kind("dead-channel", "the to-target channel sees nothing", vertical(1, dead=True), "no-activity"),
    Kind(
        "probe-overcompensated",
        "the from-target probe is 20 % over-compensated",
        probe(2, trimmer_pf=14.7),
        "probe-overcompensated",
        seen_by="check",
    ),
    Kind(
        "probe-undercompensated",
        "the from-target probe is 20 % under-compensated",
        probe(2, trimmer_pf=9.4),
        "probe-undercompensated",
        seen_by="check",
    ),
    Kind(
        "reference-missing",
        "both probes on the reference output, which is off",
        on_reference(reference_v=0.0),
        "reference-missing",
        seen_by="check",
    ),
    Kind(
        "reference-slow",
        "both probes on the reference output, which runs at 920 Hz",
        on_reference(reference_hz=920.0),
        "reference-rate-off",
        seen_by="check",
    ),
    Kind(
        "reference-low",
        "both probes on the reference output, which gives 3.9 V",
        on_reference(reference_v=3.9),
        "reference-level-off",
        seen_by="check",
    ),
    Kind("slow-timebase", "the clock of the scope is 3 % slow", scope(clock_ppm=-30_000.0), "rate-off"),
    Kind(
        "slow-sampler",
        "the scope cannot sample faster than every 2 us",
        scope(shortest_interval_s=2e-6),
        "too-few-samples",
    ),
    Kind("self-test-fails", "*TST? answers 3", scope(self_test=3), "self-test-failed", seen_by="check"),
    Kind(
        "other-scope",
        "another instrument stands there",
        scope(serial_number="HS9999"),
        "identity-changed",
        seen_by="check",
    ),
    Kind(
        "hardware-error",
        "every record leaves -240 in the error queue",
        scope(fault_of_each_record=-240),
        "instrument-error",
    ),
    *CHECK_BENCHES,
    *TRIGGER_BENCHES,
)
