"""Kinds of firmware and of benches: a kind is one row at the foot of this file.

A row has a name, one line about it, what it changes in the plan of a bench, and the finding that must notice
it (None where none has to). `frame` is set where the kind only shows with a certain frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from simulator.changes import (
    Change,
    as_it_is,
    both,
    bridge,
    bridged,
    on_reference,
    probe,
    program,
    scope,
    target,
    target_driver,
    undriven,
    vertical,
    with_other_parity,
    with_parity_bit,
)
from simulator.frame import Frame
from simulator.plan import FROM_TARGET, TO_TARGET, BenchPlan, healthy
from simulator.scope.makers import maker_of
from simulator.target import firmware as programs


@dataclass(frozen=True)
class Kind:
    """One row."""

    name: str
    about: str
    change: Change
    finding: str | None = None
    """The code that must be found; None: nothing must be."""
    frame: str | None = None
    """The frame with which it shows, None: any."""
    seen_by: str = "echo"
    """What shows it: "echo" an echo test, "check" only a station check (say, the corner of a square wave)."""


def bench_plan(
    *,
    firmware: str = "good",
    bench: str = "good",
    seed: int = 1,
    index: int = 0,
    baud: float = 230400.0,
    frame: Frame | None = None,
    memory: int = 1_000_000,
    faults: tuple[str, ...] = (),
    scope: str = "standard",
) -> BenchPlan:
    """The plan of one bench of these kinds. KeyError names those that there are."""
    plan = healthy(seed=seed, index=index, baud=baud, frame=frame, memory=memory)
    changes = maker_of(scope).changes
    plan = replace(plan, faults=faults, scope=replace(plan.scope, maker=scope, **changes))
    return kind(BENCHES, bench).change(kind(FIRMWARES, firmware).change(plan))


def kind(rows: tuple[Kind, ...], name: str) -> Kind:
    """The row of that name; KeyError names those that there are."""
    for row in rows:
        if row.name == name:
            return row
    raise KeyError(f"no kind {name!r}, there are {', '.join(row.name for row in rows)}")


FIRMWARES = (
    Kind("good", "echoes every character", as_it_is),
    Kind("silent", "reads and never answers", program(program=programs.stay_silent), "echo-missing"),
    Kind(
        "drops-one",
        "forgets the 2nd of every 5 characters",
        program(program=programs.drop_one),
        "echo-missing",
    ),
    Kind(
        "doubles-one",
        "says the 2nd of every 5 characters twice",
        program(program=programs.double_one),
        "echo-extra",
    ),
    Kind("changes-case", "swaps upper and lower case", program(program=programs.change_case), "echo-changed"),
    Kind(
        "flips-bit",
        "flips the lowest bit of the 2nd of every 5",
        program(program=programs.flip_bit),
        "echo-changed",
    ),
    Kind(
        "swaps-pair",
        "answers the 1st of every 5 after the 2nd",
        program(program=programs.swap_pair),
        "echo-out-of-order",
    ),
    Kind("late", "answers 5 ms late", program(work_s=5e-3), "echo-late"),
    Kind(
        "slows-down",
        "each answer of a burst comes 1 ms later than the one before",
        program(slows_down_s=1e-3),
        "echo-late",
    ),
    Kind(
        "overrun",
        "reads the register too rarely and loses characters",
        program(work_s=70e-6, polls=True),
        "echo-missing",
    ),
    Kind("wrong-rate", "sends 2.8 % too fast", target(send_rate_percent=2.8), "rate-off"),
    Kind(
        "drifts",
        "its sending rate runs away, 0.4 % with each character",
        target(drift_percent_per_character=0.4),
        "rate-off",
    ),
    Kind(
        "inverted",
        "its output is upside down and rests low",
        target_driver(high_v=0.02, low_v=3.28),
        "line-inverted",
    ),
    Kind("framing", "sends its stop element as a space", target(stop_level=0), "framing-error"),
    Kind(
        "parity-bit",
        "adds a parity bit that nobody asked for",
        with_parity_bit,
        "framing-error",
        frame="8N1",
    ),
    Kind("wrong-parity", "sends the other parity", with_other_parity, "parity-error", frame="8E1"),
    Kind(
        "sends-break",
        "sends a break after the 2nd of every 5",
        program(program=programs.send_break),
        "break",
    ),
    Kind(
        "weak-levels",
        "drives high only to 1.9 V and low only to 0.9 V",
        target_driver(high_v=1.9, low_v=0.9),
        "level-out-of-limits",
    ),
    Kind(
        "slow-edges", "rises in 1.2 us, as behind a weak pull-up", target_driver(rise_s=1.2e-6), "slow-edge"
    ),
)

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
)
