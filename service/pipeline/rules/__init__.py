"""Rules: each looks at the evidence and yields findings. The table RULES at the foot is their order."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from service.pipeline.evidence import Evidence
from service.pipeline.findings import FAIL, Finding
from service.pipeline.rules import echo, line, noise, probes, record

Rule = Callable[[Evidence], Iterable[Finding]]


def find(evidence: Evidence) -> Evidence:
    """Fill in `findings`: those of the acquisition first, then what each rule notices."""
    found = [finding for rule in RULES for finding in rule(evidence)]
    return evidence.with_(findings=(*evidence.given, *_new(found, evidence.given)))


def _new(found: Iterable[Finding], given: Iterable[Finding]) -> Iterable[Finding]:
    """What the acquisition has not said already, of the same line or of the whole bench, nor explained by a
    contact that was lost.
    """
    said = {(f.code, f.line) for f in given}
    of_all = {f.code for f in given if f.line is None}
    loose = {f.line for f in given if f.code == "contact-lost" and f.severity == FAIL}
    return [
        f
        for f in found
        if (f.code, f.line) not in said
        and f.code not in of_all
        and not (f.line in loose and f.code in LEFT_BY_A_CONTACT)
    ]


LEFT_BY_A_CONTACT = ("break", "framing-error", "parity-error", "glitches", "stimulus-differs")
"""What a lost contact leaves on its line: whatever they void, a contact that was surely lost voids too."""


RULES: tuple[Rule, ...] = (
    record.no_activity,
    record.line_undriven,
    record.trigger_outside_signal,
    record.stimulus_differs,
    record.capture_cut,
    record.too_few_samples,
    record.rate_ambiguous,
    record.format_ambiguous,
    probes.probes_exchanged,
    probes.lines_bridged,
    probes.crosstalk,
    probes.probe_ratio,
    probes.channel_inverted,
    probes.compensation,
    probes.zero_shifted,
    probes.clipped,
    noise.noisy,
    probes.glitches,
    line.inverted,
    line.framing,
    line.rate_off,
    line.level_out_of_limits,
    line.slow_edge,
    echo.boot_loader,
    echo.missing,
    echo.extra,
    echo.changed,
    echo.out_of_order,
    echo.late,
)
