"""How fast the scope answers and how fast its memory comes over."""

from __future__ import annotations

import statistics
import time
from dataclasses import replace

from drivers.scope.setup import ScopeState
from drivers.seam import SERIAL, transport_of
from service.commissioning.outcome import FAILS, WORKS, NotTried, Seen
from service.commissioning.shot_lines import POINTS, forced, quiet_setup
from service.commissioning.trial import Trial

ROUND_TRIPS = 25
TRANSFER_S = 5.0
"""The long record is chosen so that it comes over in about this time, judged by the short one."""
MOST_POINTS = 1_000_000


def try_speed(trial: Trial) -> None:
    """Round trips of a short query, then one long record."""
    trial.line("round trip", lambda: _round_trip(trial))
    trial.line("transfer", lambda: _transfer(trial))


def _round_trip(trial: Trial) -> Seen:
    question = trial.dialect.errors or trial.dialect.identify
    times = []
    for _ in range(ROUND_TRIPS):
        start = time.perf_counter()
        trial.talk.ask(question.query, timeout_s=question.timeout_s)
        times.append(time.perf_counter() - start)
    trial.numbers["round_trip_s"] = statistics.median(times)
    return WORKS, (
        f"{question.query!r} takes {statistics.median(times) * 1e3:.3g} ms, the slowest of {ROUND_TRIPS} "
        f"{max(times) * 1e3:.3g} ms"
    )


def _transfer(trial: Trial) -> Seen:
    mark = len(trial.tape)
    forced(trial, quiet_setup(trial))
    points = _points_for(trial, _rate_since(trial, mark))
    mark, start = len(trial.tape), time.perf_counter()
    capture, state = forced(trial, replace(quiet_setup(trial), points=points))
    rate = _rate_since(trial, mark)
    trial.numbers |= {"bytes_per_s": rate, "points": state.points}
    if not _all_there(trial, state, [len(record.codes) for record in capture.channels]):
        return FAILS, f"the record length reads back as {state.points}, other numbers of samples came"
    return WORKS, (
        f"{state.points} samples of {len(capture.channels)} channels at {rate / 1e6:.3g} MB/s; the whole "
        f"shot took {time.perf_counter() - start:.2g} s"
    )


def _all_there(trial: Trial, state: ScopeState, counts: list[int]) -> bool:
    return len(counts) == len(trial.dialect.channels) and set(counts) == {state.points}


def _points_for(trial: Trial, rate: float) -> int:
    """As many as the scope has, as come over in a few seconds, and as make a speed."""
    if transport_of(trial.scope.address) is SERIAL:
        raise NotTried("a serial line is as fast as its rate")
    channels = len(trial.dialect.channels)
    in_time = rate * TRANSFER_S / (trial.dialect.fetch.code.bytes * channels)
    most = trial.scope.limits.points_max or MOST_POINTS
    return max(min(int(in_time), most, MOST_POINTS), min(POINTS, most))


def _rate_since(trial: Trial, mark: int) -> float:
    """Bytes per second of the exchanges that brought the record: those as large as its largest part."""
    turns = trial.tape.since(mark)
    largest = max(turn.bytes_read for turn in turns)
    heavy = [turn for turn in turns if 2 * turn.bytes_read >= largest]
    return sum(turn.bytes_read for turn in heavy) / max(sum(turn.seconds for turn in heavy), 1e-9)
