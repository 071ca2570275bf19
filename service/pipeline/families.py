"""Logic families: what a receiver takes for low and high, what a driver promises, in volts.

Sources: device data tables that follow JESD8-B/-C (3.3 V), JESD8-5 (2.5 V), JESD8-7 (1.8 V), the TTL levels
at 5 V; 5 V CMOS (HC) and TIA-232-F / ITU-T V.28 from memory of the standards.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Family:
    """Levels in volts. `floor_v` .. `ceiling_v` is where a line of this family may lie at all."""

    name: str
    supply_v: float
    """Nominal swing of an unloaded output: the supply; for RS-232 the usual swing of a driver."""
    vil_max_v: float
    vih_min_v: float
    vol_max_v: float
    voh_min_v: float
    floor_v: float
    ceiling_v: float

    @property
    def bipolar(self) -> bool:
        """True where the two levels lie on either side of zero."""
        return self.vil_max_v < 0


def family(name: str) -> Family:
    """The family of that name; KeyError names those that are there."""
    for row in FAMILIES:
        if row.name == name:
            return row
    raise KeyError(f"no logic family {name!r}; there are {', '.join(f.name for f in FAMILIES)}")


def likely_family(low_v: float, high_v: float) -> Family | None:
    """The family that two measured levels belong to, None when they fit none.

    The family whose supply is nearest to the swing, if its receivers understand both levels and these are
    about within its supply; of two with one supply the stricter that fits.
    """
    swing = high_v - low_v
    if not swing > 0:
        return None
    nearest = min(abs(swing / f.supply_v - 1) for f in FAMILIES)
    fitting = [f for f in FAMILIES if abs(swing / f.supply_v - 1) == nearest and _fits(low_v, high_v, f)]
    return max(fitting, key=lambda f: f.vih_min_v, default=None)


def _fits(low_v: float, high_v: float, f: Family) -> bool:
    part = (high_v - low_v) / f.supply_v
    slack = LEVEL_SLACK * f.supply_v
    inside = f.floor_v - slack <= low_v <= f.vil_max_v and f.vih_min_v <= high_v <= f.ceiling_v + slack
    return inside and (0.45 if f.bipolar else 0.6) < part < 1.5


LEVEL_SLACK = 0.15
"""How far levels may lie beyond the supply, as a part of it: zero error, gain error, probe."""

FAMILIES: tuple[Family, ...] = (
    #      name      supply  VIL            VIH           VOL   VOH         floor  ceiling
    Family("1.8", 1.8, 0.35 * 1.8, 0.65 * 1.8, 0.45, 1.8 - 0.45, 0.0, 1.95),
    Family("2.5", 2.5, 0.7, 1.7, 0.4, 2.0, 0.0, 2.7),
    Family("3.3", 3.3, 0.8, 2.0, 0.4, 2.4, 0.0, 3.6),
    Family("5-ttl", 5.0, 0.8, 2.0, 0.4, 2.4, 0.0, 5.25),
    Family("5-cmos", 5.0, 0.3 * 5, 0.7 * 5, 0.1, 4.9, 0.0, 5.5),
    # a driver gives 5 to 15 V either way, a receiver decides beyond 3 V
    Family("rs232", 20.0, -3.0, 3.0, -5.0, 5.0, -15.0, 15.0),
)
