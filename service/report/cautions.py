"""Cautions for every report; their sentences stand in service/check/cautions.py.

Local rules and licensed people decide.
"""

from __future__ import annotations

from service.check.cautions import ON_PAPER, TEXTS

CAUTIONS = tuple(TEXTS[name] for name in ON_PAPER)
"""In the order in which a person at a bench meets them."""

LAST_WORD = (
    "These are reminders, not permission: local rules and licensed people decide, and this tool replaces "
    "neither of them."
)
