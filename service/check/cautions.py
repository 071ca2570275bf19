"""Electrical cautions, once, and at which step of a person's work each is shown.

Sources: IEC 61010-1, IEC 61010-2-030 and IEC 61010-031 (from memory), and common practice. They are
reminders: local rules and licensed persons decide.
"""

from __future__ import annotations

from collections.abc import Mapping

from service.check.limits import CheckLimits

ENTRY, REFERENCE, BOTH_ON_ONE, ON_BOARD, TRIMMER, METERED, WIGGLE, LOOP_BACK, SWITCH = (
    "entry", "reference", "both-on-one", "on-board", "trimmer", "metered", "wiggle", "loop-back", "switch",
)  # fmt: skip

VERSION = "2026-11-25"
"""Of the sentences below: the day on which one of them changed last. Local officers approve a version."""

TEXTS: Mapping[str, str] = {
    "ground": "Ground clip first, the tip last; take the tip off first. Clip only to the board's ground or "
    "to the scope's own ground terminal: all clips are joined to each other and to protective earth.",
    "one-node": "Both ground clips are one node: two clips on different nodes are a short circuit through "
    "the scope.",
    "mains": "Never on mains, nor on anything that is not separated from it: extra-low voltage only.",
    "earth": "Never lift, cut or bypass an earth pin. A floating measurement needs a suitable differential "
    "probe.",
    "ratings": "The lowest rating of scope input, probe and adapter counts; a 10x probe does not raise the "
    "rating of its ground clip.",
    "static": "Touch the board's ground or the grounded mat before the pins: static destroys inputs unseen.",
    "rewire": "Power off before wires are moved; no bare clip near a supply rail; never join two outputs.",
    "supply": "Look whether the board runs on 3.3 V or on 5 V before levels are joined.",
    "current": "No supply current through the probe's ground lead: it shows as a shifted level.",
    "damage": "Worn insulation, a damaged plug, liquid, heat, a smell or smoke: stop, report it, and follow "
    "the room's own procedure.",
    "trimmer": "Use the insulating tool that came with the probe, and leave tip and clip where they are.",
    "meter": "The meter's own leads and ranges count too: DC volts, never the current socket.",
    "rules": "Local rules and licensed persons come first; this page replaces neither of them.",
}
"""By name; the reason for each is common practice unless the standards above say it."""

AT: Mapping[str, tuple[str, ...]] = {
    ENTRY: ("rules", "mains", "earth", "ratings", "damage"),
    REFERENCE: ("ground", "mains"),
    SWITCH: ("ground",),
    TRIMMER: ("trimmer",),
    BOTH_ON_ONE: ("ground", "one-node"),
    METERED: ("ground", "mains", "meter"),
    ON_BOARD: ("ground", "one-node", "static", "supply"),
    WIGGLE: ("ground", "static", "current"),
    LOOP_BACK: ("rewire", "static", "supply"),
}
"""What is shown at each step, the most important first."""

ON_PAPER = ("ground", "one-node", "mains", "earth", "ratings", "rewire", "supply", "static", "damage")
"""What stands in every report, in the order in which a person at a bench meets it."""

TOO_HIGH = (
    "STOP: {channel} reads {volts:.3g} V, more than the {limit:.3g} V that this bench may have. Take the tip "
    "off, leave the ground clip where it is, and call staff."
)
ABOVE_OWN_LOGIC = 1.25


def cautions_at(place: str) -> tuple[str, ...]:
    """The sentences for a step, in the order in which they matter there."""
    return tuple(TEXTS[name] for name in AT[place])


def stop_above_v(most_v: float, limits: CheckLimits) -> float:
    """A reading above it is told at once: the plan's limit, or a quarter above `most_v`, the farthest from
    zero that the station's own lines have.
    """
    return max(limits.stop_above_v, ABOVE_OWN_LOGIC * most_v)
