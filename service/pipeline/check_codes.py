"""Finding codes of a station check: what only a comparison with another clock, another morning or the record
of commissioning can show.
"""

from __future__ import annotations

from service.pipeline.code_row import BENCH, DEVICE, FAIL, INFO, WARNING, Code

CHECK_CODES: tuple[Code, ...] = (
    Code(
        "boot-loader-waiting",
        DEVICE,
        INFO,
        "The board's boot loader may be still waiting",
        "Press the board's reset and let nobody speak to it for five seconds, then try again: a boot loader "
        "that hears characters stays. If nothing changes, the firmware itself answers so, or it never "
        "starts.",
    ),
    Code(
        "time-base-off",
        BENCH,
        FAIL,
        "The scope's time base disagrees with the other clocks",
        "Use another station; have the scope's oscillator looked at. A serial link and a board that are off "
        "by the same amount are not two faults.",
    ),
    Code(
        "trigger-unsteady",
        BENCH,
        WARNING,
        "The trigger's place moves from shot to shot",
        "Check the ground clip of the trigger's channel, then noise and level: noise triggers early or late.",
    ),
    Code(
        "trigger-misses",
        BENCH,
        WARNING,
        "Some shots did not trigger",
        "Check the contact of the probe tip on the trigger's line; look at the level against the signal.",
    ),
    Code(
        "commissioning-differs",
        BENCH,
        WARNING,
        "The instrument is not as it was commissioned",
        "If the change was wanted, commission the scope anew and keep the record; else undo it.",
    ),
    Code(
        "settings-touched",
        BENCH,
        INFO,
        "Somebody changed settings on the scope since the last run",
        "Nothing: every run sets what it needs and reads it back.",
    ),
    Code(
        "power-cycled",
        BENCH,
        INFO,
        "The scope was switched off and on since the last run",
        "Let it warm up as long as its manual says (commonly 20 to 30 minutes), see whether anybody misses "
        "what was set on it, then check the station.",
    ),
    Code(
        "setting-refused",
        BENCH,
        FAIL,
        "The scope does not keep a setting that the check needs",
        "Switch the scope off and on, look for a locked or remote-disabled panel, then check again.",
    ),
    Code(
        "ringing",
        BENCH,
        WARNING,
        "Edges overshoot and ring",
        "Use the short ground spring at the probe tip instead of the long lead; seat the ground clip anew.",
    ),
    Code(
        "zero-off",
        BENCH,
        WARNING,
        "A channel with its input at ground does not show zero",
        "Let the scope warm up, run its own zero adjustment, then check again.",
    ),
    Code(
        "differs-from-usual",
        BENCH,
        WARNING,
        "A number differs from what this station usually shows",
        "Check again; if it stays, look for what was changed since: probe, board, firmware, scope.",
    ),
    Code(
        "service-clock",
        BENCH,
        WARNING,
        "The clock of the service cannot be right",
        "Set the clock of the service's computer and let it follow a time server.",
    ),
    Code(
        "reference-on-line",
        BENCH,
        FAIL,
        "A probe shows the scope's reference square wave instead of its line",
        "Put the probe's tip back on its line of the board, its clip on the board's ground.",
    ),
    Code(
        "swing-off",
        BENCH,
        WARNING,
        "The swing of a line is not that of its logic family",
        "Measure the board's supply with a meter that is in date; if it is right, have the channel's gain "
        "checked with a person (guided check).",
    ),
    Code(
        "scope-silent",
        BENCH,
        FAIL,
        "The scope does not answer",
        "See whether it is switched on and on the network, and whether its address is still the same.",
    ),
    Code(
        "not-checked",
        BENCH,
        FAIL,
        "The station could not be checked",
        "Free the station from whoever has it, or mend what is said to be wrong, then check again.",
    ),
    # -- is it the bench or the board? --
    Code(
        "link-at-fault",
        BENCH,
        FAIL,
        "The serial link is at fault",
        "Look for another program on the port and at its settings; then try another socket, another adapter.",
    ),
    Code(
        "board-at-fault",
        DEVICE,
        FAIL,
        "The board is at fault",
        "Load the golden firmware: if that echoes, it was the program; else try another board of its kind.",
        criterion="content",
    ),
    Code(
        "scope-at-fault",
        BENCH,
        FAIL,
        "The scope is at fault",
        "Switch it off and on and check the station; if it stays, take it out of use.",
    ),
    Code(
        "wiring-at-fault",
        BENCH,
        FAIL,
        "The wires between link and board are at fault",
        "Look at each wire between link and board, at their common ground and at the board's supply.",
    ),
    Code(
        "probe-at-fault",
        BENCH,
        FAIL,
        "A probe or its channel is at fault",
        "Seat the probe's tip; then exchange the two probes at the scope: the fault follows a bad probe.",
    ),
    Code(
        "part-unknown",
        BENCH,
        WARNING,
        "The part at fault is not known",
        "Join the link's two lines with the loop-back wire, then try the golden board at the same place.",
    ),
    Code(
        "checker-misses",
        BENCH,
        FAIL,
        "The check of the checker failed",
        "Make sure that the image named was on the board, then try it again; if it stays, nothing may be "
        "graded here.",
    ),
)
