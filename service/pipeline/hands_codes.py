"""Finding codes of what is seen while a person moves probes."""

from __future__ import annotations

from service.pipeline.code_row import BENCH, FAIL, WARNING, Code

HANDS_CODES: tuple[Code, ...] = (
    Code(
        "voltage-too-high",
        BENCH,
        FAIL,
        "A probe showed more volts than this bench may have",
        "Take the tip off, leave the ground clip where it is, and call staff.",
    ),
    Code(
        "channels-differ",
        BENCH,
        WARNING,
        "The two channels show different volts on one node",
        "Exchange the two probes and check again: what moves with the probe is the probe, what stays is the "
        "channel. A channel is sent for adjustment.",
    ),
    Code(
        "channel-gain",
        BENCH,
        WARNING,
        "The gain of a channel is off",
        "Exchange the two probes and check again; if it stays with the channel, have the scope adjusted.",
    ),
    Code(
        "channels-skewed",
        BENCH,
        WARNING,
        "One channel shows an edge later than the other on one node",
        "Use two probes of one kind with cables of one length; look for a delay that is set on a channel.",
    ),
    Code(
        "not-commissioned",
        BENCH,
        WARNING,
        "The station is not proven before term",
        "Do the parts that were left out: benchwarden check STATION --only before-term.",
    ),
    Code(
        "contact-lost",
        BENCH,
        WARNING,
        "A probe loses contact",
        "Bend cable and clip while looking at the line (guided check, wiggle). Take another probe and wiggle "
        "again; label this one and take it out: it fails at tests that count.",
    ),
)
