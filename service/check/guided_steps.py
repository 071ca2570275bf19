"""The steps of a guided check in words for a person at a bench."""

from __future__ import annotations

from service.check import cautions
from service.check.walk import Step
from service.shots import channel_label
from service.stations import ROLES, Station


def on_terminal(station: Station, role: str) -> Step:
    """One probe to the scope's own square wave."""
    label, line = channel_label(station.probes[role].channel), role.replace("_", "-")
    return Step(
        f"probe of {label} on the reference terminal",
        f"Take the probe of {label} (the {line} line's) off the board, tip first. Put its ground clip on the "
        "scope's ground terminal, then its tip on the reference terminal beside it.",
        cautions.REFERENCE,
    )


def switch(station: Station, role: str) -> Step:
    """Only where ten times too much or a tenth is shown."""
    label, ratio = channel_label(station.probes[role].channel), station.probes[role].ratio
    return Step(
        f"switch of the probe of {label}",
        f"Set the switch on the body of the probe of {label} to {ratio:g}x. If it stands there already, "
        "leave this step out: then the factor in the stations file is not that of the probe.",
        cautions.SWITCH,
    )


def trim(station: Station, role: str) -> Step:
    """Only where the corner is not square."""
    label = channel_label(station.probes[role].channel)
    return Step(
        f"trimmer of the probe of {label}",
        f"Turn the trimmer of the probe of {label} a little at a time until the number is near 0 %. Where "
        "turning makes it larger, turn the other way.",
        cautions.TRIMMER,
    )


def both(station: Station) -> Step:
    """Both tips on one node."""
    labels = " and ".join(channel_label(station.probes[role].channel) for role in ROLES)
    return Step(
        "both probes on one node",
        f"Put the tips of {labels} on the reference terminal together, both ground clips on the scope's "
        "ground terminal.",
        cautions.BOTH_ON_ONE,
    )


def back(station: Station) -> Step:
    """The probes where runs expect them."""
    labels = {role: channel_label(station.probes[role].channel) for role in ROLES}
    return Step(
        "back on the board",
        f"Put both probes back: ground clips on the board's ground, then the tip of {labels['to_target']} on "
        f"the line that the PC speaks on, the tip of {labels['from_target']} on the line that the board "
        "answers on.",
        cautions.ON_BOARD,
    )
