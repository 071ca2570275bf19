"""Items of the trigger over repeated shots, and whether a single shot is single."""

from __future__ import annotations

from service.check.instrument import Noticed
from service.check.items import make_item
from service.check.seeing import SECOND, Seen
from service.pipeline.findings import make_finding
from service.pipeline.reading import read_line
from service.pipeline.readings import LineReading
from service.pipeline.steadiness import FEWEST, measure_steadiness
from service.recording import Taken
from service.shots import channel_label, trace_of
from service.stations import Station


def of_trigger(station: Station, seen: Seen) -> Noticed:
    """Items and findings; the trigger's channel is the one that was found to speak first."""
    if seen.sounding is None:
        return
    source = seen.sounding.trigger.source
    subject = f"scope/{channel_label(source)}"
    if not seen.sounding.triggered:
        because = "nothing triggered at all"
        yield make_item("trigger_misses", 1.0, 0.0, subject, high=0.0, because=because)
        return
    taken = [shot for shot in seen.steady if shot is not None]
    misses = len(seen.steady) - len(taken)
    yield make_item("trigger_misses", float(misses), 0.0, subject, high=0.0)
    if misses:
        detail = f"{misses} of {len(seen.steady)} characters set nothing off"
        yield make_finding("trigger-misses", None, detail + ".", evidence={"misses": misses})
    yield from _spread(station, source, taken, subject)
    yield from _single(station, source, seen.single, subject)


def _spread(station: Station, source: str, taken: list[Taken], subject: str) -> Noticed:
    """Where the first edge lies, relative to the instant that the scope calls the trigger."""
    lines = [_read(station, source, shot) for shot in taken]
    at = [float(line.edges.times_s[0]) for line in lines if len(line.edges)]
    limit = station.check_limits.trigger_spread_bits
    if len(at) < FEWEST:
        yield make_item("trigger_spread", None, None, subject, high=limit, because="too few shots")
        return
    found = measure_steadiness(at)
    spread, u = found.all_s.value * station.baud, found.all_s.u * station.baud
    evidence = {"first_edges_s": at, "apart": list(found.outliers)}
    item = make_item("trigger_spread", spread, u, subject, high=limit, evidence=evidence)
    yield item
    if item.verdict == "fail":
        detail = f"by {spread:.2g} bit times (standard deviation)"
        if found.outliers:
            detail += f", {len(found.outliers)} of {found.shots} shots far from the others"
        yield make_finding("trigger-unsteady", None, detail + ".", evidence=evidence)


def _single(station: Station, source: str, taken: Taken | None, subject: str) -> Noticed:
    """The record of a single shot must not show what was said after it was complete."""
    if taken is None:
        return
    values = [int(v) for v in _read(station, source, taken).characters.values]
    later = sum(v in set(SECOND) for v in values)
    yield make_item(
        "second_shots", float(bool(later)), 0.0, subject, high=0.0, evidence={"characters": values}
    )
    if later:
        detail = "a record changed after it was complete: it shows characters that were sent later"
        yield make_finding("trigger-never-stops", None, detail + ".", evidence={"characters": values})


def _read(station: Station, channel: str, taken: Taken) -> LineReading:
    trace = trace_of(taken.capture.channel(channel), taken.capture)
    return read_line(trace, baud=station.baud, frame=station.frame, logic=station.logic)
