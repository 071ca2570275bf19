"""How a line is framed: by the nominal settings where they are given, else by what its edges say.

Nominal settings decide. When many characters are faulty under them, the record is searched without them, and
a better explanation is noted beside (`nominal_mismatch`), not taken.
"""

from __future__ import annotations

from service.pipeline.edges import Span, idle_level
from service.pipeline.framing import Framing, Setting
from service.pipeline.readings import FRAMING, PARITY, Edges, FrameFormat, FrameOdds
from service.pipeline.search import Found, search

DOUBT = 0.1
"""Share of faulty characters from which nominal settings are doubted."""


def choose_setting(
    edges: Edges, span: Span, interval_s: float, baud: float | None, frame: FrameFormat | None
) -> Setting | None:
    """The setting to frame the line with; None when nothing explains its edges."""
    if len(edges) == 0:
        return None
    if baud is None or frame is None:
        return _searched(edges, span, interval_s, baud, frame)
    idle_high = idle_level(edges, span, frame.total_bits / baud)
    if idle_high is None:
        found = search(edges, span, interval_s, bit_time_s=1 / baud, frame=frame)
        idle_high = found.idle_high if found is not None else True
    return Setting(1 / baud, frame, idle_high, (FrameOdds(frame, 1.0),))


def _searched(
    edges: Edges, span: Span, interval_s: float, baud: float | None, frame: FrameFormat | None
) -> Setting | None:
    bit_time = None if baud is None else 1 / baud
    found = search(edges, span, interval_s, bit_time_s=bit_time, frame=frame)
    if found is None:
        return None
    notes = {"rate_candidates": _rates(found)} if baud is None else {}
    return Setting(found.bit_time_s, frame or found.frame, found.idle_high, found.possible, notes)


def _rates(found: Found) -> list[dict[str, float]]:
    return [{"baud": baud, "odds": odds} for baud, odds in found.rates]


def doubted(
    edges: Edges, span: Span, interval_s: float, setting: Setting, framing: Framing
) -> Setting | None:
    """Another setting that explains the record much better than the nominal one does, with notes on it."""
    faulty = (framing.characters.errors & (FRAMING | PARITY)) != 0
    if framing.fit is not None and faulty.sum() <= DOUBT * len(faulty):
        return None
    found = search(edges, span, interval_s)
    if found is None or found.faults > faulty.sum() or _same(found, setting):
        return None
    mismatch = {
        "baud": 1 / found.bit_time_s,
        "frame": str(found.frame),
        "idle_high": found.idle_high,
        "faults": found.faults,
        "nominal_faults": int(faulty.sum()),
    }
    notes = {"nominal_mismatch": mismatch, "rate_candidates": _rates(found)}
    return Setting(found.bit_time_s, found.frame, found.idle_high, found.possible, notes)


def _same(found: Found, setting: Setting) -> bool:
    return found.frame == setting.frame and abs(found.bit_time_s / setting.bit_time_s - 1) < 0.01
