"""Codes for lines and channels that stand on their heads; part of CODES."""

from __future__ import annotations

from service.pipeline.code_row import BENCH, DEVICE, FAIL, WARNING, Code

POLARITY_CODES: tuple[Code, ...] = (
    Code(
        "line-inverted",
        DEVICE,
        FAIL,
        "The line rests at the level that starts a character",
        "Look for an output that is set to inverted, and for one inverting stage too many or too few.",
        True,
        criterion="framing",
    ),
    Code(
        "channel-inverted",
        BENCH,
        WARNING,
        "The scope shows the line upside down",
        "Switch off the channel's inversion in the scope's menu; on an RS-232 line an inverting stage too "
        "many or too few looks the same.",
    ),
)
