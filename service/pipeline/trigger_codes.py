"""Finding codes of a trigger that cannot fire, fires at the wrong edge, or never stops firing."""

from __future__ import annotations

from service.pipeline.code_row import BENCH, WARNING, Code

TRIGGER_CODES: tuple[Code, ...] = (
    Code(
        "trigger-outside-signal",
        BENCH,
        WARNING,
        "The trigger level lies outside the signal",
        "Set the trigger level half way between the two levels of the to-target line.",
    ),
    Code(
        "trigger-source-quiet",
        BENCH,
        WARNING,
        "The trigger listens where there is no signal",
        "Choose the channel that carries the signal as the trigger's source.",
    ),
    Code(
        "trigger-slope-wrong",
        BENCH,
        WARNING,
        "The trigger waits for the other slope",
        "Set the slope that leads away from the line's idle level: falling for a line that idles high.",
    ),
    Code(
        "trigger-type-wrong",
        BENCH,
        WARNING,
        "The trigger is not an edge trigger",
        "Set the trigger's type to edge; every other type waits for something that a serial line never does.",
    ),
    Code(
        "trigger-coupling-wrong",
        BENCH,
        WARNING,
        "The trigger does not see the signal as it is",
        "Set the trigger's coupling to DC: any other moves or filters the signal before it meets the level.",
    ),
    Code(
        "trigger-never-stops",
        BENCH,
        WARNING,
        "The scope arms itself again and again",
        "Set the scope to single shots: a record that is overwritten by the next one cannot be read.",
    ),
    Code(
        "trigger-held-off",
        BENCH,
        WARNING,
        "The trigger is deaf for some time after each shot",
        "Set the trigger's hold-off to the least that the scope has.",
    ),
)
