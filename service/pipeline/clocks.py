"""Which of several clocks is off, from what one scope saw of the others; and a room of stations against
itself.

A scope whose clock is fast by s sees every other clock slow by s: seen = clock - s, all in ppm. The reference
terminal runs from the scope's own oscillator and is seen right whatever s is: it is no witness of the time
base. With two clocks seen (the serial adapter's and the board's) three explanations compete: the scope is
off, the adapter is, the board is. Each says what the two numbers should be; the misfit of each is weighed by
what parts of that kind may be off when they are good, and by u. One must be clearly better than the others;
else it cannot be known.

A room adds: the median over stations of each kind of number (robust: up to half of the stations may be off),
and, where one board was carried round, that board's rate at each station, in which only the scopes differ.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.readings import Value
from service.pipeline.steadiness import MAD_TO_SIGMA
from service.pipeline.uncertainty import K, combined

SCOPE, BRIDGE, BOARD = "scope", "bridge", "board"
KINDS = (SCOPE, BRIDGE, BOARD)
GOOD_PPM: Mapping[str, float] = {SCOPE: 25.0, BRIDGE: 100.0, BOARD: 100.0}
"""Half width of what a good part may be off (common practice, no source: data sheets of crystals and
scopes).
"""
SURE = 9.0
"""An explanation must fit better than each other by this much chi-squared: three standard deviations."""
LIKELY = 4.0
"""Odds for one part against all others together from which on it is named as the likely one."""
NOTICEABLE = 9.0
"""All parts are good when chi-squared is below this."""
MEDIAN_FACTOR = math.sqrt(math.pi / 2)
"""Standard deviation of a median of n normal values over that of their mean, for many of them."""
LEAST_PLAY = 0.7
"""Of GOOD_PPM: a robust spread of a few stations may be small by chance."""
GROSS_PPM = 1000.0
"""A clock that is off by more is broken or set wrongly, and no measure of what good ones do."""
FEWEST_STATIONS = 4
"""A median of fewer says nothing against one of them."""


@dataclass(frozen=True)
class Rate:
    """A clock's deviation from nominal as the scope saw it, ppm; u expanded (k = 2), the record's alone."""

    ppm: float
    u: float


@dataclass(frozen=True)
class Suspect:
    """Which part is off and by how much; `part` is None when none is, or when it cannot be known."""

    part: str | None
    off_ppm: Value | None
    known: bool
    """False: something is off, and the record does not tell what."""
    because: str
    candidates: tuple[str, ...] = ()
    """Where it is not known: the parts that it may be."""
    likely: str | None = None
    """Where it is not known and still LIKELY: that part; `off_ppm` is then its."""


@dataclass(frozen=True)
class Station:
    """What one station's scope saw; a rate that is missing is None."""

    name: str
    bridge: Rate | None = None
    board: Rate | None = None
    travelling: Rate | None = None
    """Of the one board that was carried to every station."""


def suspect_clock(
    bridge: Rate | None, board: Rate | None, *, good_ppm: Mapping[str, float] = GOOD_PPM
) -> Suspect:
    """Which of scope, adapter and board is off, from both rates as one scope saw them.

    One rate alone cannot tell the scope from what it looked at.
    """
    seen = {part: rate for part, rate in ((BRIDGE, bridge), (BOARD, board)) if rate is not None}
    if not seen:
        return Suspect(None, None, False, "no clock was seen", KINDS)
    return _weigh(seen, good_ppm, [])


def _weigh(seen: Mapping[str, Rate], good_ppm: Mapping[str, float], extra: Sequence[Rate]) -> Suspect:
    """Compare the explanations. `extra`: rates in which only the scope's error shows (a travelling board)."""
    sigma = {part: good_ppm[part] / math.sqrt(3) for part in KINDS}
    parts = [*seen, *(f"extra {n}" for n in range(len(extra)))]
    rates = [*seen.values(), *extra]
    values = np.array([rate.ppm for rate in rates])
    # covariance of what is seen when all parts are good: each clock's own play, and the scope's in all
    own = [sigma.get(part, 0.0) ** 2 + (rate.u / K) ** 2 for part, rate in zip(parts, rates, strict=True)]
    covariance = np.diag(own) + sigma[SCOPE] ** 2
    weight = np.linalg.inv(covariance)
    all_good = float(values @ weight @ values)
    fits: dict[str, tuple[float, float, float]] = {}
    for part in (SCOPE, *seen):
        shape = -np.ones(len(values)) if part == SCOPE else np.array([float(p == part) for p in parts])
        information = float(shape @ weight @ shape)
        off = float(shape @ weight @ values) / information
        rest = values - off * shape
        fits[part] = (float(rest @ weight @ rest), off, K / math.sqrt(information))
    return _judge(all_good, fits)


def _judge(all_good: float, fits: Mapping[str, tuple[float, float, float]]) -> Suspect:
    if all_good < NOTICEABLE:
        return Suspect(None, None, True, "all clocks agree within what good parts may be off")
    order = sorted(fits, key=lambda part: fits[part][0])
    best = fits[order[0]]
    rivals = tuple(part for part in order if fits[part][0] - best[0] < SURE)
    if len(rivals) > 1 or best[0] > all_good - SURE:
        return _undecided(fits, rivals)
    value = Value(best[1], best[2], best[2], "ppm")
    others = " and ".join(part for part in fits if part != order[0])
    words = f"{order[0]} is off by {best[1]:+.0f} ppm against {others}, which agree"
    return Suspect(order[0], value, True, words)


def _undecided(fits: Mapping[str, tuple[float, float, float]], rivals: tuple[str, ...]) -> Suspect:
    """No explanation is excluded; one may still be much likelier than the others together.

    Odds as of explanations with one free number each, equally likely before (Laplace: the depth of the fit
    times the width of what fits): that two crystals are off by the same amount at once is a coincidence.
    """
    words = f"{' or '.join(rivals)} is off: the clocks that were seen do not tell which"
    weights = {part: width * math.exp(-misfit / 2) for part, (misfit, _, width) in fits.items()}
    first = max(weights, key=lambda part: weights[part])
    others = sum(weights.values()) - weights[first]
    if first not in rivals or weights[first] < LIKELY * others:
        return Suspect(None, None, False, words, rivals)
    _, off, u = fits[first]
    odds = min(weights[first] / max(others, 1e-300), 99.0)
    told = f"{first} is probably off by {off:+.0f} ppm ({odds:.0f} to 1)"
    words = f"{told}; the clocks that were seen do not prove it"
    return Suspect(None, Value(off, u, u, "ppm"), False, words, rivals, first)


def suspects_of_room(
    stations: Sequence[Station], *, good_ppm: Mapping[str, float] = GOOD_PPM
) -> dict[str, Suspect]:
    """Each station's suspect, by name, against the room's medians.

    What all stations show alike (say, adapters of one make that are all 60 ppm slow) is taken off by the
    medians; the play of good parts is taken from the room itself (robust spread), never more than `good_ppm`.
    The travelling board's rates show the scopes alone. ValueError below FEWEST_STATIONS stations.
    """
    if len(stations) < FEWEST_STATIONS:
        raise ValueError(f"a room needs {FEWEST_STATIONS} stations or more, got {len(stations)}")
    columns = {name: _column(stations, name) for name in (BRIDGE, BOARD, "travelling")}
    play = dict(good_ppm)
    travelling = columns["travelling"]
    if travelling is not None:
        play[SCOPE] = _play(travelling, good_ppm[SCOPE])
    for part in (BRIDGE, BOARD):
        column = columns[part]
        if column is not None:
            play[part] = _play(column, good_ppm[part])
    return {station.name: _of_station(station, columns, play, len(stations)) for station in stations}


@dataclass(frozen=True)
class _Column:
    """One kind of number over the room."""

    centre: float
    sigma: float
    """Robust spread, standard deviation."""
    u_centre: float
    count: int


def _column(stations: Sequence[Station], name: str) -> _Column | None:
    rates: list[Rate] = [rate for s in stations if (rate := getattr(s, name)) is not None]
    if len(rates) < FEWEST_STATIONS:
        return None
    middle = median([rate.ppm for rate in rates])
    rates = [rate for rate in rates if abs(rate.ppm - middle) < GROSS_PPM]
    if len(rates) < FEWEST_STATIONS - 1:
        return None
    values = [rate.ppm for rate in rates]
    centre = median(values)
    sigma = MAD_TO_SIGMA * median([abs(v - centre) for v in values])
    typical = median([rate.u for rate in rates]) / K
    u_centre = K * MEDIAN_FACTOR * max(sigma, typical) / math.sqrt(len(values))
    return _Column(centre, max(sigma, typical), u_centre, len(values))


def _play(column: _Column, most: float) -> float:
    """Half width of what good parts of this room are off: twice the robust spread, within reason."""
    return min(max(2 * column.sigma, LEAST_PLAY * most), most)


def _of_station(
    station: Station, columns: Mapping[str, _Column | None], play: Mapping[str, float], count: int
) -> Suspect:
    seen: dict[str, Rate] = {}
    extra: list[Rate] = []
    for name in (BRIDGE, BOARD, "travelling"):
        rate, column = getattr(station, name), columns[name]
        if rate is None or column is None:
            continue
        against = Rate(rate.ppm - column.centre, combined(rate.u, column.u_centre))
        if name == "travelling":
            extra.append(against)
        else:
            seen[name] = against
    if not seen and not extra:
        return Suspect(None, None, False, f"this station saw no clock that {count} stations have")
    return _weigh(seen, play, extra)
