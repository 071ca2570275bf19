"""The kinds of items of a station check, one row each: the table ITEMS."""

from __future__ import annotations

from dataclasses import dataclass

NOT_USABLE, PRACTICE_ONLY, NOTE = "not-usable", "practice-only", "note"
"""What a failed item makes of its station; a note makes nothing of it."""
ROLES = ("to_target", "from_target")


@dataclass(frozen=True)
class ItemKind:
    """One row of ITEMS."""

    name: str
    unit: str
    words: str
    """What it is, for a person; stands before its number."""
    limits: tuple[str | None, str | None]
    """Names of the least and the greatest value in CHECK_LIMITS."""
    spoils: str
    """What a failure makes of the station."""
    source: str
    per_line: bool = False


_SPEC = "IEEE 488.2"

ITEMS: tuple[ItemKind, ...] = (
    # -- the instrument --
    ItemKind("answer_time", "s", "time to an answer", (None, "answer_time_max_s"), PRACTICE_ONLY, _SPEC),
    ItemKind(
        "identity_changes",
        "",
        "differences from what was commissioned",
        (None, None),
        NOT_USABLE,
        "IEEE 488.2 10.14, 10.20",
    ),
    ItemKind(
        "self_test", "", "failed self-tests", (None, None), NOT_USABLE, "IEEE 488.2 10.38"
    ),
    ItemKind(
        "error_entries", "", "entries in the error queue", (None, None), PRACTICE_ONLY,
        "SCPI-1999 vol. 2, 21.8",
    ),
    ItemKind(
        "settings_refused", "", "settings that the scope did not take", (None, None),
        NOT_USABLE, "common practice, no source",
    ),
    ItemKind(
        "settings_touched", "", "settings changed since the last run", (None, None), NOTE,
        "common practice, no source",
    ),
    ItemKind(
        "clock_behind", "s", "the service's clock behind its own records", (None, "clock_behind_max_s"),
        PRACTICE_ONLY, "common practice, no source",
    ),
    # -- idle lines --
    ItemKind(
        "zero", "V", "shown with the input at ground", ("zero_percent", "zero_percent"), PRACTICE_ONLY,
        "common practice, no source", per_line=True,
    ),
    ItemKind(
        "noise", "V", "noise of the idle line (rms)", (None, "noise_percent"), PRACTICE_ONLY,
        "common practice, no source", per_line=True,
    ),
    # -- known traffic --
    ItemKind(
        "probe_factor", "", "swing over the station's own logic swing", ("swing_percent",
        "swing_percent"), PRACTICE_ONLY, "JESD8 family tables", per_line=True,
    ),
    ItemKind(
        "swing_change", "%", "swing against the station's usual", ("swing_change_percent",
        "swing_change_percent"), PRACTICE_ONLY, "ISO/IEC 17025:2017 7.7.1", per_line=True,
    ),
    ItemKind(
        "compensation", "%", "slow part of a step", ("compensation_percent", "compensation_percent"),
        PRACTICE_ONLY, "pole-zero model of a passive probe", per_line=True,
    ),
    ItemKind(
        "overshoot", "%", "overshoot of an edge", (None, "overshoot_percent"), PRACTICE_ONLY,
        "IEEE 181-2011", per_line=True,
    ),
    ItemKind(
        "crosstalk", "%", "copy of the other line's steps", (None, "crosstalk_percent"), PRACTICE_ONLY,
        "common practice, no source", per_line=True,
    ),
    ItemKind(
        "rate", "%", "bit rate against nominal", ("rate_percent", "rate_percent"), NOT_USABLE,
        "USART chapter of an 8-bit controller's data sheet", per_line=True,
    ),
    ItemKind(
        "time_base", "%", "the scope's time base against the other clocks", ("time_base_percent",
        "time_base_percent"), NOT_USABLE, "JCGM 100:2008 (weighted mean)",
    ),
    ItemKind(
        "time_base_change", "%", "the scope's time base against the station's usual",
        ("time_base_change_percent", "time_base_change_percent"), PRACTICE_ONLY,
        "ISO/IEC 17025:2017 7.7.1",
    ),
    ItemKind(
        "trigger_misses", "", "shots that nothing triggered", (None, None), NOT_USABLE,
        "common practice, no source",
    ),
    ItemKind(
        "trigger_spread", "bits", "spread of the trigger's place over repeated shots", (None,
        "trigger_spread_bits"), PRACTICE_ONLY, "common practice, no source",
    ),
    ItemKind(
        "second_shots", "", "records that a second burst changed", (None, None), NOT_USABLE,
        "common practice, no source",
    ),
    ItemKind(
        "wrong_lines", "", "probes on the wrong line", (None, None), PRACTICE_ONLY,
        "common practice, no source",
    ),
    ItemKind(
        "stimulus_errors", "", "characters that the link did not bring to the line", (None,
        None), NOT_USABLE, "needs of this house (D9)",
    ),
    ItemKind(
        "echo_errors", "", "characters not echoed as sent", (None, None), PRACTICE_ONLY,
        "needs of this house (B2)",
    ),
    ItemKind(
        "line_load", "%", "share of the full line rate", ("line_load_min_percent", None), NOTE,
        "needs of this house (D9)",
    ),
    ItemKind(
        "latency", "s", "median latency of the echo", (None, "latency_max_s"), PRACTICE_ONLY,
        "limit of the echo test",
    ),
    ItemKind(
        "latency_change", "s", "latency against the station's usual", ("latency_change_s",
        "latency_change_s"), PRACTICE_ONLY, "ISO/IEC 17025:2017 7.7.1",
    ),
    # -- with a person: the reference terminal, and both probes on one node --
    ItemKind(
        "reference_factor", "", "swing over what is printed beside the reference terminal", (None, None),
        NOT_USABLE, "common practice, no source", per_line=True,
    ),
    ItemKind(
        "reference_level", "%", "swing of the reference terminal against what is printed", (None, None),
        PRACTICE_ONLY, "common practice, no source", per_line=True,
    ),
    ItemKind(
        "reference_rate", "%", "rate of the reference terminal against what is printed", (None, None),
        PRACTICE_ONLY, "common practice, no source",
    ),
    ItemKind(
        "gain", "%", "gain against the metered source", (None, None), PRACTICE_ONLY,
        "ISO/IEC 17025:2017 6.5", per_line=True,
    ),
    ItemKind(
        "gain_spread", "%", "gain of one range against the others", (None, None), PRACTICE_ONLY,
        "data sheets of scopes (vertical accuracy)", per_line=True,
    ),
    ItemKind(
        "channel_match", "%", "gain of the from-target channel against the to-target one", (None, None),
        PRACTICE_ONLY, "data sheets of scopes (vertical accuracy)",
    ),
    ItemKind(
        "delay", "s", "from-target channel behind the to-target one on one node", (None, None),
        PRACTICE_ONLY, "common practice, no source",
    ),
    ItemKind(
        "swap_match", "%", "swing of a line on the other channel against its own", (None, None),
        PRACTICE_ONLY, "data sheets of scopes (vertical accuracy)", per_line=True,
    ),
    ItemKind(
        "transfer_errors", "", "samples that differ when one record is fetched again", (None, None),
        NOT_USABLE, "needs of this house (A3)",
    ),
    ItemKind(
        "loop_errors", "", "characters that the serial link lost or changed on a wire", (None, None),
        NOT_USABLE, "needs of this house (A8)",
    ),
    ItemKind(
        "start_errors", "", "characters not echoed after a reset", (None, None), PRACTICE_ONLY,
        "needs of this house (A3)",
    ),
    ItemKind(
        "dropouts", "", "times that the contact was lost while it was moved", (None, None), PRACTICE_ONLY,
        "needs of this house (G3)", per_line=True,
    ),
    # -- the trigger as it was found --
    ItemKind(
        "trigger_faults", "", "trigger settings that keep it from firing right", (None, None), PRACTICE_ONLY,
        "common practice, no source",
    ),
    ItemKind(
        "trigger_margin", "%", "how far the trigger level lies inside the signal", (None, None),
        PRACTICE_ONLY, "common practice, no source",
    ),
    ItemKind(
        "found_trigger_misses", "", "characters that the trigger as found missed", (None, None), NOTE,
        "common practice, no source",
    ),
    # -- the checker itself --
    ItemKind(
        "checker_misses", "", "images with a known fault that were not caught, or the golden one that was",
        (None, None), NOT_USABLE, "mutation testing; needs of this house (A7)",
    ),
)  # fmt: skip
