"""The bit time: value, bound, and an uncertainty that means what it says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import linprog

from service.pipeline.bit_time import left_open, pooled_bit_time, student_95
from service.pipeline.line_fit import fit_shared_slope
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from tests.bench.bounds import bit_time_bound, bound_db, edge_sigma
from tests.bench.timing import PAYLOADS, SHAPES, bound_of, errors_and_hits, wire_of
from tests.reference import Shape, Wire, gaussian, one_pole, ramp, trace_of

F8N1 = FrameFormat.parse("8N1")

# JCGM 100:2008 table G.2, t at 95 % (from memory of the guide)
GUM_T = [(3, 3.18), (5, 2.57), (8, 2.31), (9, 2.26), (10, 2.23), (20, 2.09), (1e9, 1.96)]


@pytest.mark.parametrize(("freedom", "factor"), GUM_T)
def test_students_factor_is_that_of_the_gum(freedom: float, factor: float) -> None:
    """Table G.2 to its printed digits."""
    assert student_95(freedom) == pytest.approx(factor, rel=5e-3)


def test_pauses_between_characters_carry_no_bit_time(rng: np.random.Generator) -> None:
    """A sender that pauses for odd times is measured as exactly as one that does not (a trap of the first
    prototype).
    """
    gaps = rng.uniform(0, 9, 20).tolist()
    reading = read_line(trace_of(list(b"Low water") * 4, gaps_bits=gaps), baud=230400, frame=F8N1)
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value * 230400 == pytest.approx(1, abs=10e-6)


def test_the_bounds_are_those_of_the_notes() -> None:
    """Cramer-Rao for 30 dB at 50 MS/s: 0.59 and 0.84 ns an edge of 50 and 100 ns, 15 and 21 ppm for one 0x55;
    and integrate-and-dump: -1.74, -5.71, -11.74 dB for 1e-3 (prototype's own figures, another
    implementation)."""
    noise = 1 / 10**1.5
    for rise, sigma, ppm in ((50e-9, 0.59e-9, 15), (100e-9, 0.84e-9, 21)):
        got = edge_sigma(gaussian(rise), 2.0, noise, 20e-9)
        assert got == pytest.approx(sigma, rel=0.05)
        assert 1e6 * 230400 * bit_time_bound(got, [0x55], F8N1) == pytest.approx(ppm, rel=0.06)
    for samples, db in ((20, -1.74), (50, -5.71), (200, -11.74)):
        assert bound_db(samples) == pytest.approx(db, abs=0.02)


@pytest.mark.parametrize("payload", sorted(PAYLOADS))
def test_the_bit_time_comes_near_the_bound_and_its_interval_holds(
    payload: str, rng: np.random.Generator
) -> None:
    """120 runs, 100 ns edges at 30 dB: rms error below 1.3 times the Cramer-Rao bound (and not below it by
    luck or cheating), 95 % interval right in 88-100 % (the binomial range of so few runs)."""
    shape = SHAPES["bell"](100e-9)
    rmse, hits = errors_and_hits(wire_of(shape, 30), PAYLOADS[payload], 120, rng)
    assert 0.8 < rmse / bound_of(shape, PAYLOADS[payload], 30) < 1.3
    assert 0.88 <= hits <= 1.0


@pytest.mark.soak
@pytest.mark.parametrize("ratio_db", [20, 30, 40])
@pytest.mark.parametrize("rise_ns", [50, 100, 200])
@pytest.mark.parametrize("shape", sorted(SHAPES))
@pytest.mark.parametrize("payload", sorted(PAYLOADS))
def test_bound_and_coverage_hold_everywhere(payload: str, shape: str, rise_ns: int, ratio_db: int) -> None:
    """1000 runs each: 1.3 times the bound, coverage 93-97 % (less two binomial standard deviations)."""
    rng = np.random.default_rng(rise_ns + ratio_db)
    made = SHAPES[shape](rise_ns * 1e-9)
    rmse, hits = errors_and_hits(wire_of(made, ratio_db), PAYLOADS[payload], 1000, rng)
    assert rmse / bound_of(made, PAYLOADS[payload], ratio_db) < 1.3
    assert 0.93 - 2 * math.sqrt(0.93 * 0.07 / 1000) <= hits <= 0.97 + 2 * math.sqrt(0.97 * 0.03 / 1000)


def test_no_time_is_claimed_below_three_samples_a_bit() -> None:
    """The characters may still be read; the rate is refused."""
    interval = 1 / 230400 / 2.9
    wire = Wire(interval_s=interval, shape=gaussian(0.7 * interval), reach_s=8 * interval)
    reading = read_line(trace_of(list(b"Tide 7"), wire=wire), baud=230400, frame=F8N1)
    assert reading.bit_time_s is None
    assert reading.samples_per_bit == pytest.approx(2.9, rel=0.05)


def test_a_glitch_on_an_edge_does_not_pull_the_bit_time(rng: np.random.Generator) -> None:
    """One edge moved by a tenth of a bit among hundreds: its frame is left out."""
    trace = trace_of(list(range(60)), wire=Wire(noise_v=0.03), rng=rng)
    codes = trace.codes.copy()
    start = round((0 - trace.start_s) / trace.interval_s + 100 * 217.0139)
    codes[start : start + 22] = codes[start - 5]
    spoilt = type(trace)(
        codes, trace.volts_per_code, trace.volts_at_code_zero, trace.interval_s, trace.start_s
    )
    reading = read_line(spoilt, baud=230400, frame=F8N1)
    assert reading.bit_time_s is not None
    assert reading.bit_time_s.value * 230400 == pytest.approx(1, abs=5e-6)


@pytest.mark.parametrize("samples_per_bit", [20, 43, 208])
@pytest.mark.parametrize(
    "edge", [ramp(0.0), ramp(8e-9), one_pole(10e-9), one_pole(20e-9), gaussian(10e-9)],
    ids=["step", "ramp", "fast pole", "pole", "bell"],
)  # fmt: skip
def test_edges_that_the_samples_do_not_show_make_the_interval_wide_enough(
    samples_per_bit: int, edge: Shape, rng: np.random.Generator
) -> None:
    """An edge between two samples lies anywhere between them (JCGM 100 4.3.7): 90 % of 60 runs and more.

    The rates are a little off whole numbers of samples a bit, where these errors do not average out.
    """
    hits = 0
    for _ in range(60):
        baud = 230_400 * (1 + rng.uniform(-3e-3, 3e-3))
        wire = Wire(shape=edge, range_v=8.0, interval_s=1 / 230_400 / samples_per_bit)
        trace = trace_of(list(b"Tide 7"), baud, F8N1, wire, phase=rng.uniform(), gaps_bits=0.7)
        value = read_line(trace, baud=230_400.0, frame=F8N1).bit_time_s
        assert value is not None
        hits += abs(value.value - 1 / baud) <= value.u_record
    assert hits >= 54


@pytest.mark.parametrize("part", [0.0, 1e-4, 0.002, 0.03])
@pytest.mark.parametrize("count", [1, 5, 60])
@pytest.mark.parametrize("ratio_db", [None, 20])
def test_ideal_steps_of_a_long_burst_at_a_whole_number_of_samples_a_bit_are_no_better_known_than_they_are(
    part: float, count: int, ratio_db: float | None, rng: np.random.Generator
) -> None:
    """All edges lie alike among the samples: a hundred tell no more than one. Beyond 2048 edges as well."""
    interval = 1 / 230_400 / (20 + part)
    noise = 0.0 if ratio_db is None else 1.65 / 10 ** (ratio_db / 20)
    wire = Wire(shape=ramp(0.0), range_v=8.0, interval_s=interval, noise_v=noise)
    text = list(b"Tide 7") * count
    trace = trace_of(text, 230_400, F8N1, wire, phase=rng.uniform(), gaps_bits=0.0, rng=rng)
    reading = read_line(trace, baud=230_400.0, frame=F8N1)
    assert reading.characters.values.tolist() == text
    assert reading.bit_time_s is not None
    assert abs(reading.bit_time_s.value - 1 / 230_400) <= reading.bit_time_s.u_record
    assert reading.bit_time_s.u_record < 0.3 * interval


def test_what_bounded_errors_leave_open_is_what_linear_programming_finds(rng: np.random.Generator) -> None:
    """Slopes that put no edge more than a bound from its place: the two ends against scipy's linprog."""
    for _ in range(20):
        counts = rng.integers(2, 7, 4)
        firsts = np.cumsum(counts) - counts
        x = np.concatenate([np.cumsum(rng.integers(1, 4, n)) for n in counts]).astype(float)
        frame = np.arange(4).repeat(counts)
        y = 3.1 * x + rng.uniform(-0.5, 0.5, len(x))
        fit = fit_shared_slope(x, y, firsts)
        rows = np.column_stack([x, *(frame == n for n in range(4))]).astype(float)
        ends = [
            linprog(
                [sign, 0, 0, 0, 0],
                A_ub=np.vstack([rows, -rows]),
                b_ub=np.concatenate([y + 0.5, 0.5 - y]),
                bounds=(None, None),
            ).x[0]
            for sign in (1, -1)
        ]
        assert left_open(fit, 0.5) == pytest.approx(ends, rel=1e-6)
        least, most = left_open(fit, 1e-3)
        assert least > most


def test_shots_that_are_wrong_alike_do_not_make_each_other_surer() -> None:
    """Ideal steps at a whole number of samples a bit and a little: ten shots know no more than the surest."""
    interval = 1 / 230_400 / 20.02
    wire = Wire(shape=ramp(0.0), range_v=8.0, interval_s=interval)
    shots = [
        read_line(trace_of([0x54], 230_400, F8N1, wire, phase=phase / 100), baud=230_400.0, frame=F8N1)
        for phase in range(5, 65, 6)
    ]
    pooled = pooled_bit_time(shots)
    assert pooled is not None
    assert abs(pooled.value - 1 / 230_400) <= pooled.u_record
