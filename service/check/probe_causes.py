"""Causes at the probes and the channels that they hang on; causes.py holds the table."""

from __future__ import annotations

from service.check.diagnosis import REPAIR, SET, SWAP, TURN, Case, Cause, Step, keys
from service.pipeline.findings import Finding
from service.pipeline.phrases import line_words

REPAIR_SCOPE = Step(REPAIR, "Take the scope out of use and send it for repair.")

NOT_TO_BE_JUDGED = (
    "trigger-misses", "line-undriven", "echo-missing", "echo-changed", "echo-extra", "clipped",
    "stimulus-differs", "capture-cut", "differs-from-usual", "swing-off", "instrument-error", "noisy",
    "no-activity", "link-silent", "rate-ambiguous", "format-ambiguous",
)  # fmt: skip
"""What is said of lines on which nothing, or something else, is seen."""


def too_high(case: Case) -> Cause | None:
    """More volts than the bench may have, which no wrong factor explains: before everything else."""
    found = case.having("voltage-too-high")
    if not found:
        return None
    line = found[0].line
    spoilt = case.having(
        "swing-off",
        "level-out-of-limits",
        "differs-from-usual",
        "zero-shifted",
        "reference-level-off",
        line=line,
    )
    return Cause(
        "voltage-too-high",
        found[0].message,
        f"line/{line}",
        keys(found[0], *spoilt),
        (
            Step(SET, found[0].remedy),
            Step(TURN, "Look what supply the board hangs on before anything is joined to it again."),
        ),
    )


def both_probes(case: Case) -> Cause | None:
    """Two probes that are wrong by the same factor of ten are one setting, not two bad probes."""
    found = case.having("probe-ratio")
    factors = {f.evidence.get("readings_too_large_by") for f in found}
    if len(found) < 2 or len(factors) != 1:
        return None
    times = "ten times too much" if factors == {10.0} else "a tenth"
    return Cause(
        "both-probe-factors",
        f"Both probes read {times}: not two bad probes, but what the scope takes them for, or both switches.",
        "scope",
        (*keys(*found), *_spoilt_by_factor(case)),
        (
            Step(SET, "Compare `ratio` of both probes in the stations file with the switches on the probes."),
            Step(TURN, "Set the switches of both probes to the factor that the stations file states."),
            Step(SWAP, "Try another pair of probes."),
        ),
    )


def one_probe(case: Case) -> Cause | None:
    """A factor of ten on one line: its switch, or what the scope takes it for."""
    found = case.having("probe-ratio")
    if not found:
        return None
    first, line = found[0], line_words(found[0].line)
    return Cause(
        "probe-factor",
        f"The probe on the {line} reads wrongly by a factor of ten: its switch, or the factor set for it.",
        f"probe/{first.line}",
        (*keys(first), *_spoilt_by_factor(case, first.line)),
        (
            Step(
                TURN,
                f"Set the switch of the probe on the {line} to the factor that the stations file states.",
            ),
            Step(SWAP, f"Try another probe on the {line}."),
        ),
    )


def _spoilt_by_factor(case: Case, line: str | None = None) -> tuple[tuple[str, str | None], ...]:
    """What a wrong factor brings with it: a x1 probe is slow and loads the line, levels seem odd."""
    codes = ("swing-off", "level-out-of-limits", "probe-undercompensated", "probe-overcompensated", "clipped")
    return keys(*case.having(*codes, "slow-edge", "differs-from-usual", line=line))


def shifted_channel(case: Case) -> Cause | None:
    """Both levels off by the same amount: the channel's zero if it is off with the input at ground too."""
    found = case.having("zero-shifted", "zero-off")
    if not found:
        return None
    line = found[0].line
    mine = case.having("zero-shifted", "zero-off", "level-out-of-limits", line=line)
    if case.having("zero-off", line=line):
        return Cause(
            "channel-zero",
            f"The channel on the {line_words(line)} does not show zero at ground: it is the scope.",
            "scope",
            keys(*mine),
            (
                Step(SET, "Let the scope warm up, then run its own zero adjustment."),
                REPAIR_SCOPE,
            ),
        )
    return Cause(
        "ground-clip",
        f"Both levels of the {line_words(line)} are shifted, the channel itself is right: its ground clip.",
        f"probe/{line}",
        keys(*mine),
        (
            Step(TURN, f"Seat the ground clip of the probe on the {line_words(line)} on the board's ground."),
            Step(SWAP, f"Try another probe on the {line_words(line)}."),
        ),
    )


def noise(case: Case) -> Cause | None:
    """Noise at ground too is the channel's own; noise on the line only comes by the probe."""
    found = case.having("noisy")
    if not found:
        return None
    line = found[0].line
    item = case.items.get(f"{line}.noise")
    at_ground = None if item is None else item.evidence.get("at_ground_v")
    misread = case.having("stimulus-differs", "break", "framing-error", line=line)
    mine = (*found, *misread, *case.having("trigger-unsteady", "glitches", "trigger-misses"))
    if item is not None and at_ground is not None and at_ground > item.limit["max"]:
        return Cause(
            "noisy-channel",
            f"The channel on the {line_words(line)} is noisy with its input at ground too: it is the scope.",
            "scope",
            keys(*mine),
            (Step(SET, "Look for a setting that adds noise: bandwidth, termination, a math channel."),
             Step(SWAP, "Use the station with the two lines on the other scope's channels."), REPAIR_SCOPE),
        )  # fmt: skip
    also = case.having("ringing", "crosstalk", "swing-off", "zero-shifted", "level-out-of-limits", line=line)
    quiet = "" if at_ground is None else ": its channel is quiet with the input at ground"
    words = f"The probe on the {line_words(line)} picks up noise{quiet}."
    return Cause("pick-up", words, f"probe/{line}", keys(*mine, *also), _against_noise(line))


def _against_noise(line: str | None) -> tuple[Step, ...]:
    words = line_words(line)
    return (
        Step(TURN, f"Seat the ground clip of the probe on the {words}; use the short ground spring."),
        Step(TURN, "Look for a supply or a lamp close by, and move it."),
        Step(SWAP, f"Try another probe on the {words}."),
    )


def trimmer(case: Case) -> Cause | None:
    """A probe that is not trimmed shifts levels and shows overshoot: named once."""
    found = case.having("probe-overcompensated", "probe-undercompensated")
    if not found:
        return None
    line = found[0].line
    way = "less" if found[0].code == "probe-overcompensated" else "more"
    mine = (
        found[0],
        *case.having("swing-off", "level-out-of-limits", "ringing", "differs-from-usual", line=line),
    )
    return Cause(
        "probe-trimmer",
        f"The probe on the {line_words(line)} is not trimmed: it shows fast steps too "
        f"{'large' if way == 'less' else 'small'}.",
        f"probe/{line}",
        keys(*mine),
        (
            Step(
                TURN,
                f"Turn the trimmer of the probe on the {line_words(line)} to {way} capacitance, with the "
                "guided check on the reference terminal.",
            ),
            Step(SWAP, f"Try another probe on the {line_words(line)}."),
        ),
    )


def on_reference(case: Case) -> Cause | None:
    """A tip that was left on the reference terminal: nothing else can be said of that line."""
    found = case.having("reference-on-line")
    if not found:
        return None
    lines = " and the ".join(line_words(f.line) for f in found)
    return Cause(
        "probe-left-on-reference",
        f"The probe of the {lines} was left on the scope's reference terminal.",
        f"probe/{found[0].line}",
        (*keys(*found), *keys(*_of_lines(case, {f.line for f in found}))),
        (Step(TURN, f"Put the tip of the probe back on the {lines}, its clip on the board's ground."),),
    )  # fmt: skip


def _of_lines(case: Case, lines: set[str | None]) -> list[Finding]:
    """All that is said of those lines, of the bench as a whole, or of what comes of them."""
    told = [f for f in case.findings if f.code != "reference-on-line"]
    return [f for f in told if f.line in lines or f.line is None or f.code in NOT_TO_BE_JUDGED]


def exchanged(case: Case) -> Cause | None:
    found = case.having("probes-exchanged")
    if not found:
        return None
    return Cause(
        "probes-exchanged",
        "The two probes hang on each other's lines.",
        "bench",
        (*keys(*found), *keys(*case.having("differs-from-usual"))),
        (
            Step(TURN, "Exchange the two probe tips."),
            Step(TURN, "If it is to stay so, exchange the channels in the stations file."),
        ),
    )


def _both_lanes(case: Case) -> Cause:
    """The board is alive, and neither channel shows it."""
    found = case.having("no-activity")
    return Cause(
        "both-lanes-dead",
        "The board answers, and neither channel sees it: both tips are off, or the scope's inputs are dead.",
        "bench",
        (*keys(*found), *keys(*case.having(*NOT_TO_BE_JUDGED))),
        (
            Step(TURN, "Put both probe tips on their lines, both clips on the board's ground."),
            Step(SWAP, "Try another pair of probes."),
            REPAIR_SCOPE,
        ),
    )


def clip(case: Case) -> Cause | None:
    """Ringing, crosstalk and short pulses on one line: a long or loose ground lead makes all of them."""
    found = case.having("ringing", "crosstalk", "glitches")
    if not found:
        return None
    line = found[0].line
    mine = case.having("ringing", "crosstalk", "glitches", line=line)
    return Cause(
        "ground-lead",
        f"The ground lead of the probe on the {line_words(line)} is long or loose.",
        f"probe/{line}",
        keys(*mine),
        (
            Step(
                TURN,
                f"Seat the ground clip of the probe on the {line_words(line)}; use the short ground spring.",
            ),
            Step(TURN, "Keep the two probe leads apart."),
            Step(SWAP, f"Try another probe on the {line_words(line)}."),
        ),
    )


def dead_lane(case: Case) -> Cause | None:
    """No activity on one channel while the link brings answers: probe, or channel; swapping tells."""
    found = case.having("no-activity")
    if not found:
        return None
    if found[0].line is None:
        return _both_lanes(case)
    line = found[0].line
    return Cause(
        "dead-lane",
        f"The channel on the {line_words(line)} sees nothing: tip off, a broken probe, or a dead channel.",
        f"probe/{line}",
        (*keys(*found), *keys(*case.having(*NOT_TO_BE_JUDGED))),
        (
            Step(TURN, f"Seat the tip of the probe on the {line_words(line)}."),
            Step(
                SWAP,
                "Exchange the two probes at the scope's inputs: if the fault goes along, it is the probe.",
            ),
            REPAIR_SCOPE,
        ),
    )
