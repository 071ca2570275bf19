"""Everything physical about one bench, as numbers. Kinds (faults.py) are changes of these records.

A clock error of +e ppm means a fast clock: its bits are shorter, its record looks longer than it was.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from simulator.frame import Frame
from simulator.target.firmware import Firmware

TO_TARGET, FROM_TARGET, REFERENCE, FLOATING = "to_target", "from_target", "reference", "floating"
"""Where a probe can hang."""


@dataclass(frozen=True)
class DriverPlan:
    """An output stage: its two levels and its 10-90 % transition times."""

    low_v: float = 0.02
    high_v: float = 3.28
    rise_s: float = 18e-9
    fall_s: float = 14e-9


@dataclass(frozen=True)
class SerialEnd:
    """One end of the serial link: rate, frame, clock error, output stage."""

    baud: float = 230400.0
    frame: Frame = field(default_factory=Frame)
    clock_ppm: float = 0.0
    driver: DriverPlan = DriverPlan()

    @property
    def bit_s(self) -> float:
        """True duration of one bit."""
        return 1.0 / (self.baud * (1.0 + 1e-6 * self.clock_ppm))


@dataclass(frozen=True)
class BridgePlan:
    """The PC's serial adapter."""

    end: SerialEnd = SerialEnd()
    start_delay_s: float = 60e-6
    """From the PC's write to the start edge."""
    hand_over_s: float = 120e-6
    """From a received character to the PC."""
    connected: bool = True
    """False: it takes bytes and hears bytes, but its wires are off."""
    loses: int = 0
    """The second of every so many bytes of a burst never reaches the wire (0: none lost)."""


@dataclass(frozen=True)
class TargetPlan:
    """The board under test. It receives with `end.clock_ppm` and sends with the extra errors below."""

    end: SerialEnd = SerialEnd()
    firmware: Firmware = field(default_factory=Firmware)
    send_frame: Frame | None = None
    """None: as it receives."""
    send_rate_percent: float = 0.0
    drift_percent_per_character: float = 0.0
    """Its sending rate gains this with every character of a burst, up to 4 %."""
    stop_level: int = 1
    """0: its stop element is sent as space."""
    boot_s: float = 0.0
    """After power-up or a reset its boot loader waits; the firmware runs after so long without a character
    (for ever: infinite)."""
    boot_answer: bytes = b""
    """What the boot loader says to every character that it hears."""


@dataclass(frozen=True)
class ProbePlan:
    """A passive probe: where it hangs, where its switch stands, how its trimmer is set."""

    node: str = TO_TARGET
    ratio: int = 10
    """The switch on the probe, 1 or 10: not what the scope believes."""
    tip_ohm: float | None = None
    """What lies in series with the input, for a probe without a divider of its own; None: the usual probes,
    9 megohm (x10) or 50 ohm (x1, the source's)."""
    trimmer_pf: float = 12.0
    """C1; 12 pF is right against C2 = 108 pF (standards: R1 C1 = R2 C2)."""
    trimmer_pf_per_week: float = 0.0
    crosstalk: float = 0.0
    """Share of the other line's steps that couples in."""
    crosstalk_s: float = 250e-9
    """How fast a coupled step dies away."""
    glitches_per_s: float = 0.0
    hum_v: float = 0.0
    """Peak of a 50 Hz pick-up at the tip."""
    dropouts_per_s: float = 0.0
    """How often the tip loses contact, at random instants ..."""
    dropout_s: float = 1e-3
    """... and for how long."""
    ringing: float = 0.0
    """Overshoot from a long ground lead, as a fraction of a step."""


@dataclass(frozen=True)
class InputPlan:
    """One vertical channel of the scope."""

    probe: ProbePlan = ProbePlan()
    bandwidth_hz: float = 100e6
    noise_v: float = 0.25e-3
    """rms at the input, whatever the range."""
    noise_of_range: float = 1.2e-3
    """rms as a share of the vertical window."""
    gain_error: float = 0.0
    gain_per_week: float = 0.0
    """How the gain drifts, as a share."""
    offset_error_v: float = 0.0
    """At the input."""
    delay_s: float = 0.0
    """How much later than the other channel it shows what happens."""
    dead: bool = False
    range_stuck_v: float | None = None
    """The window at the input stays here, whatever is set, and reads back so."""


@dataclass(frozen=True)
class ScopePlan:
    """The instrument."""

    inputs: tuple[InputPlan, InputPlan] = (InputPlan(), InputPlan(probe=ProbePlan(node=FROM_TARGET)))
    maker: str = "standard"
    """Whose instrument it is, and so what it understands (scope/makers.py)."""
    bits: int = 8
    """Of the converter."""
    clock_ppm: float = 0.0
    memory_points: int = 1_000_000
    shortest_interval_s: float = 1e-9
    trigger_stuck_v: float | None = None
    """The comparator sits at this level, whatever is set, and reads back so."""
    trigger_noise_v: float = 2e-3
    """rms, referred to the probe tip."""
    serial_number: str = "HS0001"
    self_test: int = 0
    fault_of_each_record: int = 0
    """An error number that every acquisition leaves in the queue (0: none)."""
    panel: tuple[str, ...] = ()
    """How somebody left the front panel: messages of the open standard."""
    errors_left: tuple[int, ...] = ()
    """What stands in the error queue from before."""
    reference_hz: float = 1000.0
    reference_v: float = 5.0
    message_cost_s: float = 500e-6
    """What one message takes when the clock is virtual."""


@dataclass(frozen=True)
class BenchPlan:
    """One station."""

    bridge: BridgePlan = BridgePlan()
    target: TargetPlan = TargetPlan()
    scope: ScopePlan = ScopePlan()
    bridged: bool = False
    """The two lines are one node and the target's output is off it."""
    undriven: bool = False
    """Nothing drives the from-target line."""
    seed: int = 1
    station: str = "sim-1"
    faults: tuple[str, ...] = field(default=())
    """Fault switches that are on from power-on, NAME or NAME:TIMES (transports/delivery.py)."""
    age_days: float = 0.0
    """Days since it was set up (ageing.py)."""


def healthy(
    *, seed: int, index: int = 0, baud: float = 230400.0, frame: Frame | None = None, memory: int = 1_000_000
) -> BenchPlan:
    """A good bench: parts a little off, each in its own way, as the seed has it."""
    draw = np.random.default_rng([seed, index, 1])
    chosen = frame or Frame()
    bridge = SerialEnd(baud, chosen, clock_ppm=float(draw.uniform(-40, 40)))
    target = SerialEnd(baud, chosen, clock_ppm=float(draw.uniform(-80, 80)))
    inputs = tuple(
        InputPlan(
            probe=ProbePlan(node=node),
            gain_error=float(draw.uniform(-0.008, 0.008)),
            offset_error_v=float(draw.uniform(-1.5e-3, 1.5e-3)),
        )
        for node in (TO_TARGET, FROM_TARGET)
    )
    scope = ScopePlan(
        inputs=(inputs[0], inputs[1]),
        clock_ppm=float(draw.uniform(-8, 8)),
        memory_points=memory,
        serial_number=f"HS{1000 + index + 1}",
    )
    return BenchPlan(
        bridge=BridgePlan(end=bridge),
        target=TargetPlan(end=target),
        scope=scope,
        seed=seed * 1000 + index,
        station=f"sim-{index + 1}",
    )


def with_probe(plan: BenchPlan, channel: int, **changes: object) -> BenchPlan:
    """The plan with fields of one channel's probe changed; channel is 1 or 2."""
    probe = plan.scope.inputs[channel - 1].probe
    return with_input(plan, channel, probe=replace(probe, **changes))  # type: ignore[arg-type]


def with_input(plan: BenchPlan, channel: int, **changes: object) -> BenchPlan:
    """The plan with fields of one vertical channel changed; channel is 1 or 2."""
    inputs = list(plan.scope.inputs)
    inputs[channel - 1] = replace(inputs[channel - 1], **changes)  # type: ignore[arg-type]
    return replace(plan, scope=replace(plan.scope, inputs=(inputs[0], inputs[1])))
