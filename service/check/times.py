"""Items of the clocks: both bit rates against nominal, and what they say together about the scope's own."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.check.context import Context, Usual
from service.check.instrument import Noticed
from service.check.items import ROLES, CheckItem, make_item
from service.pipeline import clocks
from service.pipeline.clocks import suspect_clock
from service.pipeline.decisions import FAIL
from service.pipeline.findings import make_finding
from service.pipeline.mean_rate import mean_bit_time
from service.pipeline.uncertainty import combined
from service.pipeline.verdict import Judgement
from service.stations import Station

CRYSTAL_PERCENT = 0.01
"""What a crystal may be off (expanded): about 100 ppm with its load and the temperature (data sheets)."""
PROVABLE = 4.0
"""A limit below so many expanded uncertainties is none (needs of this house, A9): a scope with little memory
sees few characters, and would be in doubt every morning. There the limit is what its records can prove."""
AGREE_PERCENT = 0.03
"""Two crystals are no further apart than this; if they are, one of the two is off."""


PPM = 1e4
"""Of a percent."""


@dataclass(frozen=True)
class Rate:
    """Deviation of one line's bit rate from nominal as the scope sees it, percent, k = 2."""

    percent: float
    u: float


def of_times(station: Station, judgement: Judgement, context: Context) -> Noticed:
    """Items and findings of both rates and of the scope's time base."""
    limit = station.check_limits.rate_percent
    rates: dict[str, Rate] = {}
    for role in ROLES:
        found = _deviation(station, judgement, role)
        subject = "bridge" if role == "to_target" else "board"
        if found is None:
            because = "no traffic whose rate could be measured"
            yield make_item(f"{role}.rate", None, None, subject, low=-limit, high=limit, because=because)
            continue
        rates[role] = found
        yield make_item(f"{role}.rate", found.percent, found.u, subject, low=-limit, high=limit)
    if len(rates) == len(ROLES):
        yield from _time_base(station, rates["to_target"], rates["from_target"])
        yield from _changed(station, rates, context)


def time_base(bridge: Rate, board: Rate) -> tuple[float, float, str]:
    """Error of the scope's clock in percent, its expanded uncertainty, and what it rests on.

    A slow scope sees both ends too fast by the same amount: where the two agree within what crystals are,
    their mean counts. Where they do not, one of them is off, and the one nearer to nominal counts, since two
    clocks of three that agree outvote the third.
    """
    if abs(bridge.percent - board.percent) <= AGREE_PERCENT + combined(bridge.u, board.u):
        mean = (bridge.percent + board.percent) / 2
        u = combined(bridge.u / 2, board.u / 2, CRYSTAL_PERCENT / math.sqrt(2))
        return -mean, u, "link and board agree"
    nearer, name = min(((bridge, "board"), (board, "link")), key=lambda pair: abs(pair[0].percent))
    words = f"the {name}'s clock is the one that is off"
    return -nearer.percent, combined(nearer.u, CRYSTAL_PERCENT), words


def provable(limit: float, u: float, because: str = "") -> tuple[float, str]:
    """The limit, or what can be proven of it with that uncertainty; and why it is another one."""
    least = PROVABLE * u
    if least <= limit:
        return limit, because
    told = f"few characters were seen: no less can be proven, {limit:g} % is the station's limit"
    return least, f"{because}; {told}" if because else told


def _time_base(station: Station, bridge: Rate, board: Rate) -> Noticed:
    value, u, because = time_base(bridge, board)
    limit, because = provable(station.check_limits.time_base_percent, u, because)
    facts = {"link_percent": bridge.percent, "board_percent": board.percent}
    item = make_item("time_base", value, u, "scope", low=-limit, high=limit, because=because, evidence=facts)
    yield item
    if item.verdict == FAIL:
        detail = (
            f"the link seems {bridge.percent:+.4g} % and the board {board.percent:+.4g} % off: not both "
            f"clocks, but the scope's, by {value:+.3g} %"
        )
        yield make_finding("time-base-off", None, detail + ".", evidence=facts)
        return
    suspect = suspect_clock(*(clocks.Rate(PPM * rate.percent, PPM * rate.u) for rate in (bridge, board)))
    if suspect.known and suspect.part == clocks.SCOPE:
        yield make_finding(
            "time-base-off", None, f"the {suspect.because}.", severity="warning", evidence=facts
        )


def _changed(station: Station, rates: dict[str, Rate], context: Context) -> Noticed:
    """Both rates moved by the same amount since what is usual: the scope's clock did."""
    usual = {role: context.usual(f"{role}.rate") for role in ROLES}
    moved = {role: _moved(rates[role], known) for role, known in usual.items() if known is not None}
    if len(moved) < len(ROLES):
        return
    one, other = moved.values()
    limit = station.check_limits.time_base_change_percent
    apart = abs(one.percent - other.percent)
    together = apart <= max(limit / 2, combined(one.u, other.u))
    mean = (one.percent + other.percent) / 2 if together else min(one.percent, other.percent, key=abs)
    u = combined(one.u, other.u) / 2
    limit, because = provable(limit, u)
    facts = {"link_percent": one.percent, "board_percent": other.percent}
    item: CheckItem = make_item(
        "time_base_change", -mean, u, "scope", low=-limit, high=limit, because=because, evidence=facts
    )
    yield item
    if item.verdict == FAIL:
        detail = f"both rates moved together, by {mean:+.3g} %, since they are usually measured"
        yield make_finding("time-base-off", None, detail + ".", severity="warning", evidence=facts)


def _moved(now: Rate, usual: Usual) -> Rate:
    return Rate(now.percent - usual.centre, combined(now.u, 2 * usual.spread / math.sqrt(usual.repeats)))


def _deviation(station: Station, judgement: Judgement, role: str) -> Rate | None:
    """From the scatter over many characters: the scope's own clock is what is in question here."""
    found = mean_bit_time(shot.line(role) for shot in judgement.shots)
    if found is None:
        return None
    ratio = 1 / (found.value * station.baud)
    return Rate(100 * (ratio - 1), 100 * ratio * found.u / found.value)
