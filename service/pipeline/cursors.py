"""Cursor readings: named intervals of one character, asked for by name and index, out of a result document.

They are what a person reads with two cursors on the screen, so each says where its cursors stand and how many
bit times lie between. The table INTERVALS is at the foot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.pipeline.uncertainty import combined, from_tolerance


@dataclass(frozen=True)
class CursorReading:
    """One interval. `from_at` and `to_at` are seconds on the axis of shot `shot`, or volts for a level."""

    name: str
    line: str
    index: int
    shot: int
    from_at: float
    to_at: float
    value: float
    u: float
    unit: str
    bits: float | None
    """How many bit times lie between the cursors; None for levels and latencies."""
    words: str


class NoSuchInterval(LookupError):
    """The name, the line or the character does not exist, or the interval could not be measured there."""


@dataclass(frozen=True)
class Interval:
    """One row of INTERVALS."""

    name: str
    words: str
    place: Callable[[_Place], tuple[float, float, float]]
    """(from, to, u of the record) of one character."""
    counts_bits: bool = True
    unit: str = "s"


def cursor(document: Mapping[str, Any], name: str, line: str, index: int) -> CursorReading:
    """The named interval of the `index`-th character (all shots in order) of a line of a result document.

    Raises:
        NoSuchInterval: no such name, line or character, or not measurable there; the message says which.
    """
    interval = next((i for i in INTERVALS if i.name == name), None)
    if interval is None:
        raise NoSuchInterval(f"no interval {name!r}; there are {', '.join(i.name for i in INTERVALS)}")
    place = _Place(document, line, index)
    start, end, u_record = interval.place(place)
    ppm = float(document.get("expected", {}).get("timebase_ppm", 0.0))
    scale = from_tolerance(ppm * 1e-6) * abs(end - start) if interval.unit == "s" else 0.0
    bits = (end - start) / place.bit_s if interval.counts_bits else None
    words = interval.words if bits is None else f"{interval.words}: {_tidy(bits)} bit times"
    return CursorReading(
        name, line, index, int(place.character["shot"]), start, end, end - start, combined(u_record, scale),
        interval.unit, bits, words,
    )  # fmt: skip


def readings_of(document: Mapping[str, Any], line: str, index: int) -> list[CursorReading]:
    """All intervals that can be measured at that character. NoSuchInterval when it does not exist."""
    _Place(document, line, index)
    found = []
    for interval in INTERVALS:
        try:
            found.append(cursor(document, interval.name, line, index))
        except NoSuchInterval:
            continue
    return found


def _tidy(bits: float) -> str:
    return f"{round(bits, 2):g}"


class _Place:
    """One character in its document."""

    def __init__(self, document: Mapping[str, Any], line: str, index: int) -> None:
        lines = document["lines"]
        if line not in lines:
            raise NoSuchInterval(f"no line {line!r}; there are {', '.join(lines)}")
        self.document, self.line, self.index = document, lines[line], index
        characters = self.line["characters"]
        if not 0 <= index < len(characters):
            raise NoSuchInterval(
                f"the {line} line has {len(characters)} characters, there is no number {index}"
            )
        self.role, self.character = line, characters[index]

    @property
    def bit_s(self) -> float:
        return float(self._bit["value"])

    @property
    def _bit(self) -> Mapping[str, float]:
        if self.line["bit_time"] is None:
            raise NoSuchInterval(f"the bit time of the {self.role} line could not be measured")
        bit: Mapping[str, float] = self.line["bit_time"]
        return bit

    @property
    def edge_u(self) -> float:
        return float(self.character["edge_u_s"])

    def one_bit(self) -> tuple[float, float, float]:
        start = float(self.character["start_s"])
        return start, start + self.bit_s, float(self._bit["u_record"])

    def to_last_edge(self) -> tuple[float, float, float]:
        last = self.character["last_edge_s"]
        if last is None or last <= self.character["start_s"]:
            raise NoSuchInterval(f"character {self.index} shows no edge after its start edge")
        return float(self.character["start_s"]), float(last), combined(self.edge_u, self.edge_u)

    def to_stop_end(self) -> tuple[float, float, float]:
        start, end = float(self.character["start_s"]), float(self.character["end_s"])
        return start, end, (end - start) / self.bit_s * float(self._bit["u_record"])

    def stop_end_to_echo(self) -> tuple[float, float, float]:
        sent, echoed = self._pair()
        if sent is None or echoed is None:
            raise NoSuchInterval(
                f"character {self.index} of the {self.role} line has no partner on the other line"
            )
        _, end, u_end = _Place(self.document, "to_target", sent).to_stop_end()
        start = self.document["lines"]["from_target"]["characters"][echoed]
        return end, float(start["start_s"]), combined(u_end, self.edge_u, float(start["edge_u_s"]))

    def _pair(self) -> tuple[int | None, int | None]:
        """Indices of the two partners in the two lines' lists of characters."""
        shot = int(self.character["shot"])
        first = {role: self._first(role, shot) for role in ("to_target", "from_target")}
        own = "sent_index" if self.role == "to_target" else "echo_index"
        within = self.index - first[self.role]
        for echo in self.document["echoes"]:
            if echo["shot"] == shot and echo[own] == within:
                sent, back = echo["sent_index"], echo["echo_index"]
                return (
                    None if sent is None else first["to_target"] + sent,
                    None if back is None else first["from_target"] + back,
                )
        return None, None

    def _first(self, role: str, shot: int) -> int:
        characters = self.document["lines"][role]["characters"]
        return sum(c["shot"] < shot for c in characters)

    def high_minus_low(self) -> tuple[float, float, float]:
        low, high = self.line["levels"]["low"], self.line["levels"]["high"]
        if low is None or high is None:
            raise NoSuchInterval(f"the levels of the {self.role} line could not be measured")
        return float(low["value"]), float(high["value"]), combined(float(low["u"]), float(high["u"]))


INTERVALS: tuple[Interval, ...] = (
    Interval("one-bit", "start edge to the end of the start bit", _Place.one_bit),
    Interval("start-to-last-edge", "start edge to the LAST EDGE of the character", _Place.to_last_edge),
    Interval(
        "start-to-stop-end",
        "start edge to the END OF THE STOP BIT, where no edge is seen",
        _Place.to_stop_end,
    ),
    Interval(
        "stop-end-to-echo",
        "END OF THE STOP BIT to the start edge of the echo",
        _Place.stop_end_to_echo,
        counts_bits=False,
    ),
    Interval(
        "high-minus-low", "high minus low state level", _Place.high_minus_low, counts_bits=False, unit="V"
    ),
)
