"""Edges, probes and noise against published front-end facts (table of standards, 5 and 6.1)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulator.faults import bench_plan
from simulator.plan import InputPlan, ProbePlan, with_probe
from simulator.scope.front_end import Channel, probe_tail
from simulator.scope.settings import ChannelSettings
from simulator.wires.contact import Node
from simulator.wires.line import Line, Piece, ReferenceOutput, Step
from simulator.wires.waveform import Response, render
from tests.simulator.desk import VERTICAL, Desk, ideal


def step(duration_s: float, volts: float = 1.0) -> Piece:
    return Piece(0.0, np.zeros(1), np.array([volts]), np.array([duration_s]))


def rise_10_90(piece: Piece, response: Response) -> float:
    at = np.linspace(-50e-9, 50e-9, 20001)
    volts = render(piece, response, at)
    return float(np.interp(0.9, volts, at) - np.interp(0.1, volts, at))


def test_an_edge_passes_half_its_height_at_its_instant() -> None:
    """IEEE 181: the transition occurrence instant is the 50 % crossing."""
    at = np.array([-1e-6, 0.0, 1e-6])
    assert render(step(20e-9), Response(3.5e-9), at) == pytest.approx([0.0, 0.5, 1.0], abs=1e-6)


def test_a_5_ns_edge_is_seen_as_6_1_ns_through_100_mhz() -> None:
    """6.1 [calc]: 0.35 / 100 MHz = 3.5 ns; sqrt(5^2 + 3.5^2) = 6.10 ns."""
    assert rise_10_90(step(5e-9), Response(0.35 / 100e6)) == pytest.approx(6.10e-9, abs=0.01e-9)


def test_steps_add_up_wherever_they_lie() -> None:
    """The stages are linear: many steps at once equal the sum of each alone."""
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0, 1e-5, 40))
    volts = rng.uniform(0, 3, 40)
    durations = rng.uniform(1e-9, 400e-9, 40)
    at = np.linspace(-1e-6, 1.2e-5, 4001)
    response = Response(10e-9, tail=0.2, tail_s=3e-6, ringing=0.2)
    whole = render(Piece(1.0, times, volts, durations), response, at)
    total = np.full(len(at), 1.0)
    for before, when, after, long in zip([1.0, *volts[:-1]], times, volts, durations, strict=True):
        total += render(
            Piece(0.0, np.array([when]), np.array([after - before]), np.array([long])), response, at
        )
    assert np.max(np.abs(whole - total)) < 1e-9


def test_far_from_any_step_the_level_is_exact() -> None:
    """Between steps nothing is computed but the level itself."""
    piece = Piece(3.3, np.array([0.0, 1e-3]), np.array([0.0, 3.3]), np.full(2, 20e-9))
    assert render(piece, Response(3.5e-9), np.array([-1e-4, 5e-4, 2e-3])).tolist() == [3.3, 0.0, 3.3]


@pytest.mark.parametrize(
    ("trimmer_pf", "first_ratio", "error_percent", "tau_us"),
    [(15.0, 0.12195, 21.95, 110.7), (9.0, 0.07692, -23.08, 105.3), (12.0, 0.1, 0.0, 108.0)],
)
def test_the_probe_follows_the_pole_zero_model(
    trimmer_pf: float, first_ratio: float, error_percent: float, tau_us: float
) -> None:
    """6.1 [calc]: C2 = 108 pF; C1 = 15 pF starts at 0.12195, tau 110.7 us; 9 pF 0.07692, 105.3 us."""
    tail = probe_tail(trimmer_pf)
    assert 0.1 * (1 + tail.error) == pytest.approx(first_ratio, abs=5e-6)
    assert 100 * tail.error == pytest.approx(error_percent, abs=5e-3)
    assert 1e6 * tail.tau_s == pytest.approx(tau_us, abs=0.05)


def test_a_badly_trimmed_probe_shows_its_tail_in_the_record() -> None:
    """An over-compensated probe on a step: +21.95 % at first, 1/e of that one tau later, right in the end."""
    plan = with_probe(ideal(), 1, trimmer_pf=15.0)
    desk = Desk(plan)
    desk.tell(
        VERTICAL + ";:SENS:VOLT:RANG:PTP 10.24;:SENS:SWE:TINT 1E-6;POIN 2000;OREF:LOC 0;:TRIG:SOUR BUS;:INIT"
    )
    start = desk.clock.now()
    desk.move(start + 0.5e-3, 0.0)
    desk.move(start + 1.5e-3, 3.0)
    desk.clock.spend(0.6e-3)
    desk.ask("*TRG;*WAI")
    volts = desk.codes() * 0.04 + 1.65
    rise = int(np.flatnonzero(np.diff(volts) > 1)[0]) + 1
    low = float(volts[rise - 5])
    step_v = 3.0 - low
    tail = probe_tail(15.0)
    for late_us in (2, 50, 110, 400):
        wanted = low + step_v + 3.0 * tail.error * math.exp(-late_us * 1e-6 / tail.tau_s)
        assert float(volts[rise + late_us]) == pytest.approx(wanted, abs=0.08)


def test_the_switch_of_the_probe_is_not_the_setting_of_the_scope() -> None:
    """6.3 (common practice, no source): a wrong ratio is a factor of ten and nothing between."""
    for ratio, loss, window, shown in (
        (10, 20, 80, 3.28),
        (1, 20, 80, 32.8),
        (10, 0, 8, 0.328),
        (1, 0, 8, 3.28),
    ):
        desk = Desk(with_probe(ideal(), 1, ratio=ratio))
        desk.tell(VERTICAL + f";:SENS:CORR:LOSS {loss};:SENS:VOLT:RANG:PTP {window};OFFS 0;:TRIG:SOUR IMM")
        desk.ask("INIT;*WAI")
        assert float(desk.codes()[0]) * window / 256 == pytest.approx(shown, abs=window / 512)


def test_codes_clip_at_both_ends_of_the_window() -> None:
    """8 bits: -128..127 and nothing else."""
    for centre, code in ((-5, 127), (9, -128)):
        desk = Desk(ideal())
        desk.tell(VERTICAL + f";:SENS:VOLT:RANG:OFFS {centre};PTP 4;:TRIG:SOUR IMM")
        desk.ask("INIT;*WAI")
        assert set(desk.codes().tolist()) == {code}


def test_a_code_is_the_nearest_step_of_the_window() -> None:
    """code = round((v - O) / (P / 256)): 3.28 V in 5.12 V about 1.65 V is 81.5 -> 82 (half to even)."""
    desk = Desk(ideal())
    desk.tell(VERTICAL + ";:SENS:VOLT:RANG:OFFS 1.655;:TRIG:SOUR IMM")
    desk.ask("INIT;*WAI")
    assert set(desk.codes().tolist()) == {round((3.28 - 1.655) / 0.02)}


def test_the_noise_is_as_large_as_the_plan_says() -> None:
    """rms at the tip: the input's noise, and the rounding q / sqrt(12), added as squares.

    The last term is GUM F.2.2.1 [memory].
    """
    desk = Desk(ideal(noise_v=4e-3))
    desk.tell(VERTICAL + ";:SENS:SWE:POIN 100000;:TRIG:SOUR IMM")
    desk.ask("INIT;*WAI")
    wanted = math.hypot(0.04, 0.02 / math.sqrt(12))
    assert float(np.std(desk.volts())) == pytest.approx(wanted, rel=0.02)


def test_gain_and_zero_errors_are_shown() -> None:
    """(v / 10 x (1 + gain) + offset) x 10."""
    desk = Desk(ideal(gain_error=-0.1, offset_error_v=0.05))
    desk.tell(VERTICAL + ";:TRIG:SOUR IMM")
    desk.ask("INIT;*WAI")
    assert float(desk.volts()[0]) == pytest.approx(3.28 * 0.9 + 0.5, abs=0.011)


def test_a_bandwidth_limit_slows_the_edge() -> None:
    """0.35 / 20 MHz = 17.5 ns (6.1)."""
    channel = Channel(InputPlan(bandwidth_hz=1e9), {}, (1,))
    assert channel.edge_s(ChannelSettings(filtered=True)) == pytest.approx(
        math.hypot(17.5e-9, 0.35e-9, 1.75e-9), rel=1e-6
    )


def test_ground_coupling_shows_zero_and_ac_takes_the_mean_away() -> None:
    """INPut:COUPling."""
    for coupling, shown in (("GRO", 0.0), ("AC", 0.0), ("DC", 3.28)):
        desk = Desk(ideal())
        desk.clock.spend(1.0)
        desk.tell(VERTICAL + f";:INP:COUP {coupling};:TRIG:SOUR IMM")
        desk.ask("INIT;*WAI")
        assert float(desk.volts()[0]) == pytest.approx(shown, abs=0.011)


def test_the_reference_output_is_a_1_khz_square_wave_of_5_volts() -> None:
    """6.3: common practice, no source. Period 1.000 ms; both levels, whoever asks for which part of it."""
    output = ReferenceOutput(1000.0, 5.0)
    piece = output.piece(0.9999, 1.0021)
    assert np.diff(piece.times) == pytest.approx(0.5e-3, rel=1e-9)
    assert piece.volts.tolist() == [5.0, 0.0, 5.0, 0.0, 5.0]
    assert piece.start_v == 0.0
    assert output.piece(1.0002, 1.0003).start_v == 5.0


def test_crosstalk_comes_with_the_steps_of_the_other_line() -> None:
    """A spike at each step of the to-target line, none without traffic."""
    desk = Desk(bench_plan(bench="crosstalk", firmware="silent"))
    desk.tell(
        VERTICAL + ";:SENS:SWE:TINT 5E-8;POIN 2000;OREF:LOC 0.1;:TRIG:SOUR INT1;LEV 1.65;SLOP NEG;:INIT"
    )
    desk.send(b"U")
    desk.ask("*WAI")
    disturbed = np.flatnonzero(np.abs(desk.volts(2) - 3.28) > 0.5)
    edges = np.flatnonzero(np.abs(np.diff(desk.volts(1))) > 1)
    assert len(disturbed) > 0
    assert all(np.min(np.abs(edges - place)) < 20 for place in disturbed)


def test_glitches_are_the_same_whoever_looks() -> None:
    """A pulse that the trigger saw is in the record, too: they depend on bench time alone."""
    nodes: dict[str, Node] = {"to_target": Line(3.3)}
    channel = Channel(InputPlan(probe=ProbePlan(glitches_per_s=5000.0)), nodes, (7, 1))
    at = np.linspace(0.0, 5e-3, 200_001)
    settings = ChannelSettings()
    whole = channel.shown(at, 2.0, settings)
    part = channel.shown(at[100_000:], 2.0, settings)
    assert np.ptp(whole) > 0.1
    assert np.max(np.abs(whole[100_000:] - part)) < 1e-9


def test_a_forgotten_past_leaves_its_last_level() -> None:
    """Only the last steps are kept; what was before them is one level."""
    line = Line(3.3, kept_steps=10_000)
    for block in range(13):
        line.drive([Step(block + number * 1e-6, number % 2 * 3.3, 1e-9) for number in range(1000)])
    piece = line.piece(0.0, 100.0)
    assert 10_000 <= len(piece) <= 12_500
    assert piece.start_v in (0.0, 3.3)
    assert line.piece(12.5, 12.6).start_v == 3.3
