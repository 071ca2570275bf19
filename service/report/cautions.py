"""Cautions for every report and every first step at a bench. Local rules and licensed people decide."""

from __future__ import annotations

CAUTIONS = (
    "The ground clips of a scope's probes are joined to each other and to protective earth. Clip them only "
    "to the board's ground; two clips on different nodes are a short circuit through the scope.",
    "Never lift, cut or bypass an earth pin. Where a floating measurement is needed, use a suitable "
    "differential probe.",
    "Only extra-low-voltage, separated circuits on these benches, never mains. The lowest rating of input, "
    "probe and adapter governs.",
    "Attach the ground first and the tip last, remove the tip first; power off before rewiring. Keep bare "
    "clips away from supply rails.",
    "Check the supply (3.3 V or 5 V) before joining levels; never join an output to an output.",
    "Static damage, worn insulation, damaged plugs, liquids, heat, a smell or smoke: stop, and follow the "
    "room's own procedure.",
)
"""In the order in which a person at a bench meets them."""

LAST_WORD = (
    "These are reminders, not permission: local rules and licensed people decide, and this tool replaces "
    "neither of them."
)
