"""One vertical channel: node -> probe -> input -> converter.

Probe (pole-zero model, R1 C1 = R2 C2): 9 Mohm with the trimmer C1 in parallel, in series with 1 Mohm
parallel to C2 = 108 pF. Right at once a step shows C1/(C1+C2) of itself, in the end 1/10; in between it
settles with tau = (9 Mohm parallel 1 Mohm) (C1+C2). C1 = C2/9 = 12 pF makes both the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.plan import TO_TARGET, InputPlan, ProbePlan
from simulator.scope.settings import ChannelSettings
from simulator.wires.contact import BadContact, Node
from simulator.wires.line import Piece
from simulator.wires.waveform import Floats, Response, render, settling_s

C2_PF = 108.0
PARALLEL_OHM = 0.9e6
RISE_TIMES_BANDWIDTH = 0.35
"""Rise time x bandwidth (standards.md 6.1)."""
PROBE_BANDWIDTH_HZ = {10: 200e6, 1: 6e6}
TAILS_KEPT = 20
AVERAGED_S = 0.1
"""How far back AC coupling remembers."""
HUM_HZ = 50.0
GLITCH_SLOT_S = 10e-3
Codes = NDArray[np.int8] | NDArray[np.int16]


@dataclass(frozen=True)
class Tail:
    """The slow part of a probe's answer to a step."""

    error: float
    """First instant over final value, minus 1: positive = over-compensated."""
    tau_s: float


def probe_tail(trimmer_pf: float) -> Tail:
    """The pole-zero model for a x10 probe with this trimmer setting."""
    at_once = trimmer_pf / (trimmer_pf + C2_PF)
    return Tail(at_once / 0.1 - 1.0, PARALLEL_OHM * (trimmer_pf + C2_PF) * 1e-12)


class Channel:
    """What the converter of one channel would see, and the codes it makes of it."""

    def __init__(
        self, plan: InputPlan, nodes: dict[str, Node], seed: tuple[int, ...], tip: Node | None = None
    ) -> None:
        """`tip`: what the probe touches where that changes; None: always the node of the plan."""
        self.plan = plan
        self._nodes = nodes
        self._tip_touches = tip
        self._seed = seed
        self._slots: dict[int, Piece] = {}

    def shown(self, at: Floats, origin: float, settings: ChannelSettings) -> Floats:
        """Noiseless volts at the tip as the scope believes, at origin + at (bench time, ascending)."""
        plan, probe = self.plan, self.plan.probe
        at = at - plan.delay_s
        if plan.dead or settings.coupling == "GRO" or not len(at):
            tip = np.zeros(len(at))
        else:
            tip = self._tip(at, origin, settings)
            if settings.coupling == "AC":
                tip -= self._average(origin + float(at[0]), settings)
        volts = tip * (self._division(probe, settings) * (1 + plan.gain_error)) + plan.offset_error_v
        return volts * (settings.factor * (-1.0 if settings.inverted == "INV" else 1.0))

    def codes(
        self, shown: Floats, settings: ChannelSettings, rng: np.random.Generator, bits: int = 8
    ) -> Codes:
        """Signed codes of so many bits: noise added, rounded, clipped at the ends of the window."""
        half = 2 ** (bits - 1)
        step = settings.window_v / (2 * half)
        sigma = self.noise_v(settings) / step
        scaled = (shown - settings.centre_v) / step
        if sigma:
            scaled += sigma * rng.standard_normal(len(shown), dtype=np.float32)
        np.clip(np.rint(scaled, out=scaled), -half, half - 1, out=scaled)
        narrow: Codes = scaled.astype(np.int8 if bits <= 8 else np.int16)
        return narrow

    def noise_v(self, settings: ChannelSettings) -> float:
        """rms noise at the tip as the scope believes."""
        at_input = math.hypot(
            self.plan.noise_v, self.plan.noise_of_range * settings.window_v / settings.factor
        )
        return at_input * settings.factor

    def steps_between(self, start: float, end: float, settings: ChannelSettings) -> Floats:
        """Instants of everything that moves the voltage in start..end, slowly settling parts included."""
        if self.plan.dead or settings.coupling == "GRO":
            return np.empty(0)
        early, late = start - self.plan.delay_s - self._lookback_s(settings), end - self.plan.delay_s
        pieces = [piece for piece, _ in self._pieces(early, late, settings)]
        return np.unique(np.concatenate([piece.times for piece in pieces])) + self.plan.delay_s

    def edge_s(self, settings: ChannelSettings) -> float:
        """10-90 % time of an infinitely fast step after this channel."""
        widths = [self.plan.bandwidth_hz, PROBE_BANDWIDTH_HZ[self.plan.probe.ratio]]
        if settings.filtered:
            widths.append(settings.filter_hz)
        return math.hypot(*(RISE_TIMES_BANDWIDTH / width for width in widths))

    def last_step_at(self, now: float) -> float | None:
        """The last step that is known of the node; the reference output always has another one."""
        return self._touches.last_step(now)

    def tail_s(self) -> float:
        """How long a step is followed by a slow tail, 0 for a well trimmed probe."""
        tail = self._tail()
        return TAILS_KEPT / 2 * tail.tau_s if tail.error else 0.0

    @property
    def _touches(self) -> Node:
        probe = self.plan.probe
        node = self._tip_touches or self._nodes[probe.node]
        if probe.dropouts_per_s:
            return BadContact(node, probe.dropouts_per_s, probe.dropout_s, self._seed)
        return node

    def _tip(self, at: Floats, origin: float, settings: ChannelSettings) -> Floats:
        start, end = origin + float(at[0]), origin + float(at[-1])
        reach = self._lookback_s(settings)
        tip = np.zeros(len(at))
        for piece, response in self._pieces(start - reach, end + reach, settings):
            tip += render(piece.since(origin), response, at)
        if self.plan.probe.hum_v:
            tip += self.plan.probe.hum_v * np.sin(2 * math.pi * HUM_HZ * (at + math.fmod(origin, 1 / HUM_HZ)))
        return tip

    def _pieces(self, start: float, end: float, settings: ChannelSettings) -> list[tuple[Piece, Response]]:
        """Everything that is picked up, each with the way it takes."""
        probe, rise = self.plan.probe, self.edge_s(settings)
        tail = self._tail()
        own = Response(rise, tail=tail.error, tail_s=tail.tau_s, ringing=probe.ringing)
        pieces = [(self._touches.piece(start, end), own)]
        if probe.crosstalk:
            other = self._nodes["from_target" if probe.node == TO_TARGET else TO_TARGET].piece(start, end)
            pieces.append((other, Response(rise, gain=probe.crosstalk, spike_s=probe.crosstalk_s)))
        if probe.glitches_per_s:
            pieces.append((self._glitches(start, end), Response(rise)))
        return pieces

    def _lookback_s(self, settings: ChannelSettings) -> float:
        """How long before an instant a step can still be felt then."""
        probe = self.plan.probe
        slow = Piece(0.0, np.zeros(1), np.zeros(1), np.full(1, 3e-6))
        fast = settling_s(
            slow, Response(self.edge_s(settings), ringing=probe.ringing, spike_s=probe.crosstalk_s)
        )
        return fast + 2 * self.tail_s()

    def _tail(self) -> Tail:
        return probe_tail(self.plan.probe.trimmer_pf) if self.plan.probe.ratio == 10 else Tail(0.0, 1.0)

    def _division(self, probe: ProbePlan, settings: ChannelSettings) -> float:
        """From tip to input: the probe's resistor against the input's."""
        if settings.impedance < 1e6 or probe.tip_ohm is not None:
            usual = 9e6 if probe.ratio == 10 else 50.0
            series = usual if probe.tip_ohm is None else probe.tip_ohm
            return settings.impedance / (series + settings.impedance)
        return 1.0 / probe.ratio

    def _average(self, until: float, settings: ChannelSettings) -> float:
        piece = self._pieces(until - AVERAGED_S, until, settings)[0][0]
        bounds = np.concatenate(([until - AVERAGED_S], piece.times, [until]))
        levels = np.concatenate(([piece.start_v], piece.volts))
        return float(np.sum(levels * np.diff(bounds)) / AVERAGED_S)

    def _glitches(self, start: float, end: float) -> Piece:
        """Short pulses at random instants; the same instants whoever asks, whenever."""
        slots = range(math.floor(start / GLITCH_SLOT_S), math.floor(end / GLITCH_SLOT_S) + 1)
        parts = [self._slot(slot) for slot in slots]
        times, volts, durations = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("times", "volts", "durations")
        )
        inside = slice(*np.searchsorted(times, [start, end]))
        before = float(volts[inside.start - 1]) if inside.start else 0.0
        return Piece(before, times[inside], volts[inside], durations[inside])

    def _slot(self, slot: int) -> Piece:
        if slot not in self._slots:
            if len(self._slots) > 10_000:
                self._slots.clear()
            self._slots[slot] = self._make_slot(slot)
        return self._slots[slot]

    def _make_slot(self, slot: int) -> Piece:
        rng = np.random.default_rng([*self._seed, 5, abs(slot)])
        count = int(rng.poisson(self.plan.probe.glitches_per_s * GLITCH_SLOT_S))
        begin = np.sort(rng.uniform(slot * GLITCH_SLOT_S, (slot + 1) * GLITCH_SLOT_S - 1e-6, count))
        width = rng.uniform(60e-9, 180e-9, count)
        height = rng.uniform(1.8, 2.6, count) * rng.choice([-1.0, 1.0], count)
        times = np.column_stack([begin, begin + width]).ravel()
        order = np.argsort(times, kind="stable")
        volts = np.cumsum(np.column_stack([height, -height]).ravel()[order])
        return Piece(0.0, times[order], volts, np.full(2 * count, 10e-9))
