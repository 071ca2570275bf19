"""Times of a line: bit time, rate, frame, distortion, latency."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from service.pipeline import distortion
from service.pipeline.arrays import median
from service.pipeline.evidence import TO_TARGET, Evidence
from service.pipeline.figures import Figure
from service.pipeline.latencies import edge_u, judged_latencies, latency_value
from service.pipeline.phrases import character
from service.pipeline.readings import LineReading, Value
from service.pipeline.uncertainty import combined, with_scale


def bit_time(evidence: Evidence, role: str) -> Figure:
    """Seconds, from a fit over all edges inside frames, pooled over the shots."""
    return Figure(
        evidence.lines[role].bit_time,
        "duration of one bit: straight line through all edges inside frames, pooled over the shots",
    )


def baud(evidence: Evidence, role: str) -> Figure:
    """Baud."""
    return Figure(evidence.lines[role].baud, "1 / bit time")


def rate_deviation(evidence: Evidence, role: str) -> Figure:
    """Percent of the nominal rate; without one the from-target line is held against the to-target line."""
    own, limit = evidence.lines[role].baud, evidence.expectation.limits.rate_percent
    nominal = evidence.expectation.baud
    if nominal is not None:
        words = f"deviation of the bit rate from the nominal {nominal:g} Bd"
        return Figure(None if own is None else _percent_off(own, nominal), words, -limit, limit)
    other = evidence.lines[TO_TARGET].baud
    if role == TO_TARGET:
        return Figure(None, "deviation of the bit rate from nominal: no nominal rate was stated")
    words = "deviation of the bit rate from that of the to-target line (no nominal rate was stated)"
    if own is None or other is None:
        return Figure(None, words, -limit, limit)
    # one time base for both: its error cancels
    u = 100 * combined(own.u_record / own.value, other.u_record / other.value)
    return Figure(Value(100 * (own.value / other.value - 1), u, u, "%"), words, -limit, limit)


def _percent_off(own: Value, nominal: float) -> Value:
    return Value(100 * (own.value / nominal - 1), 100 * own.u / nominal, 100 * own.u_record / nominal, "%")


def samples_per_bit(evidence: Evidence, role: str) -> Figure:
    """How finely the line was sampled."""
    found = evidence.lines[role].samples_per_bit
    return Figure(None if found is None else Value(found, 0.0, 0.0, ""), "bit time over sample interval")


def start_edge_to_last_edge(evidence: Evidence, role: str) -> Figure:
    """Seconds, of one character that is named; the bit times between are counted."""
    for shot, reading, at in _clean(evidence, role):
        bit = reading.bit_time_s
        last = int(reading.characters.last_edge[at])
        if bit is None or last <= int(reading.characters.first_edge[at]):
            continue
        span = float(reading.edges.times_s[last] - reading.characters.start_s[at])
        words = (
            f"start edge to LAST EDGE of character {at} ({character(int(reading.characters.values[at]))}) of "
            f"shot {shot}: {round(span / bit.value)} bit times. The last edge is not the end of the character"
        )
        ppm = evidence.expectation.accuracy.timebase_ppm
        return Figure(with_scale(span, edge_u(reading) * np.sqrt(2), ppm * 1e-6, "s"), words)
    return Figure(None, "start edge to last edge of a character: no whole character was seen")


def start_edge_to_stop_end(evidence: Evidence, role: str) -> Figure:
    """Seconds: total bits times the bit time. There is no edge to see at its end."""
    line = evidence.lines[role]
    if line.bit_time is None or line.frame is None:
        return Figure(None, "start edge to the end of the stop bit: no bit time or no frame format")
    bits, t = line.frame.total_bits, line.bit_time
    words = (
        f"start edge to the END OF THE STOP BIT of a {line.frame} character: {bits:g} bit times, computed "
        f"from the "
        "bit time since no edge marks that end"
    )
    return Figure(Value(bits * t.value, bits * t.u, bits * t.u_record, "s"), words)


def _clean(evidence: Evidence, role: str) -> Iterator[tuple[int, LineReading, int]]:
    """Whole characters without errors, those whose last edge opens the stop element first."""
    later: list[tuple[int, LineReading, int]] = []
    for shot, reading in evidence.readings(role):
        for at in np.flatnonzero((reading.characters.errors == 0) & (reading.characters.first_edge >= 0)):
            found = (shot, reading, int(at))
            if reading.frame and not int(reading.characters.values[at]) >> (reading.frame.data_bits - 1):
                yield found
            else:
                later.append(found)
    yield from later


def start_stop_distortion(evidence: Evidence, role: str) -> Figure:
    """Percent of the measured bit time (synchronous)."""
    words = (
        "largest deviation of an edge from its place after the start edge, in percent of the MEASURED "
        "bit time "
        "(synchronous start-stop distortion)"
    )
    return _distortion(evidence, role, words, distortion.start_stop, None)


def gross_start_stop_distortion(evidence: Evidence, role: str) -> Figure:
    """Percent of the nominal bit time: a wrong rate shows here."""
    nominal = evidence.expectation.baud
    words = "the same in percent of the NOMINAL bit time (gross start-stop distortion)"
    if nominal is None:
        return Figure(None, f"{words}: no nominal rate was stated")
    return _distortion(evidence, role, words, distortion.start_stop, 1 / nominal)


def isochronous_distortion(evidence: Evidence, role: str) -> Figure:
    """Percent of the measured bit time."""
    words = "largest difference between actual and ideal interval of any two edges of one character"
    return _distortion(evidence, role, words, distortion.isochronous, None)


def bias_distortion(evidence: Evidence, role: str) -> Figure:
    """Percent of the measured bit time; positive = spaces long."""
    words = "lateness of edges to mark over edges to space; positive: spaces long, negative: marks long"
    return _distortion(evidence, role, words, distortion.bias, None)


def _distortion(
    evidence: Evidence,
    role: str,
    words: str,
    kind: Callable[[distortion.Deviations], float | None],
    unit_s: float | None,
) -> Figure:
    """The worst shot's figure; its uncertainty is that of two edges."""
    bit = evidence.lines[role].bit_time
    if bit is None:
        return Figure(None, words)
    unit = unit_s if unit_s is not None else bit.value
    found = [
        (figure, 100 * edge_u(reading) * float(np.sqrt(2)) / unit)
        for _, reading in evidence.readings(role)
        if (figure := kind(distortion.in_frames(reading, unit))) is not None
    ]
    if not found:
        return Figure(None, words)
    worst, u = max(found, key=lambda f: abs(f[0]))
    return Figure(Value(worst, u, u, "%"), words)


def _latency(which: str, statistic: Callable[[list[float]], float]) -> Callable[[Evidence, str], Figure]:
    """A measuring function for one statistic of one of the two kinds of latency."""
    to_end = which == "stop_end_to_start_s"
    words = (
        "END OF THE STOP BIT (computed) to the start edge of the echo" if to_end
        else "start edge to start edge of the echo"
    )  # fmt: skip
    name = {"min": "shortest", "max": "longest"}.get(statistic.__name__, "median")

    def figure(evidence: Evidence, _: str) -> Figure:
        high = evidence.expectation.limits.latency_max_s if to_end and statistic is max else None
        found = [float(getattr(e, which)) for e in judged_latencies(evidence)]
        value = latency_value(evidence, statistic(found)) if found else None
        return Figure(value, f"{name} time from the {words}, over {len(found)} echoes", None, high)

    return figure


latency_min = _latency("stop_end_to_start_s", min)
latency_median = _latency("stop_end_to_start_s", median)
latency_max = _latency("stop_end_to_start_s", max)
start_to_start_min = _latency("start_to_start_s", min)
start_to_start_median = _latency("start_to_start_s", median)
start_to_start_max = _latency("start_to_start_s", max)
