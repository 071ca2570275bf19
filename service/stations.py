"""The stations file (TOML) as records: what each bench consists of and what is expected of it."""

from __future__ import annotations

import dataclasses
import difflib
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drivers.errors import RequestError
from drivers.scope.dialect_reader import load_dialect
from service.check.limits import CheckLimits
from service.errors import UnknownStation
from service.pipeline.expectation import LOGIC_FAMILIES, Accuracy, Expectation, Limits
from service.pipeline.families import family
from service.pipeline.limits import limits_from
from service.pipeline.readings import FrameFormat
from service.room_rules import RoomRules, read_room
from service.station_limits import check_limits, limits, plan_limits
from service.toml_tables import Place, read_toml

ROLES = ("to_target", "from_target")
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
"""Goes into addresses of pages and names of files."""
NOT_IN_THE_FILE = ("limit_sources", "plan_limits", "room")
MOST_AT_50_OHM_V = 2.5
"""Half of the 5 V that are the usual rating of a 50 ohm input (common practice, no source: read its own)."""
DIALECT_WORDS = "a shipped dialect or the path of a dialect file"


@dataclass(frozen=True)
class Probe:
    """Where a probe is plugged in, and its ratio (10 for a 10x probe)."""

    channel: str
    """As the dialect names it, e.g. "1"."""
    ratio: float
    input_ohm: float = 1e6
    """50 for a probe that is made for it; see MOST_AT_50_OHM_V."""


@dataclass(frozen=True)
class Reference:
    """The scope's own terminal for adjusting probes: a square wave from zero up (common practice, no source:
    about 1 kHz, about 5 V). Nominal, not calibrated, and it runs from the scope's own oscillator.
    """

    volts: float = 5.0
    hertz: float = 1000.0


@dataclass(frozen=True)
class Station:
    """One bench: a scope, two probes, a target board and its serial link."""

    name: str
    scope: str
    """VISA resource name."""
    dialect: str
    """A shipped name or an absolute path."""
    serial: str
    """Device path or pyserial URL."""
    baud: float
    frame: FrameFormat
    logic: str
    probes: Mapping[str, Probe]
    """By role: "to_target" and "from_target"."""
    limits: Limits = field(default_factory=Limits)
    accuracy: Accuracy = field(default_factory=Accuracy)
    identity: str | None = None
    """What `*IDN?` must answer; empty fields match anything, e.g. ",,SN-1042,". None: not checked."""
    leave_as_found: bool = False
    """Put the scope's settings back as they were when a run began."""
    visa_library: str = "@py"
    """Whatever PyVISA takes for a VISA library."""
    check_limits: CheckLimits = field(default_factory=CheckLimits)
    """Of the station check."""
    reference: Reference = field(default_factory=Reference)
    commissioned: str | None = None
    """Path of the scope's commissioning record; None: the one in the data folder, if there is one."""
    limit_sources: Mapping[str, str] = field(default_factory=dict)
    """Limit -> who stated it: "station", "plan short"; not in the file."""
    plan_limits: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """By plan: what the file's `[plan.NAME.limits]` states; it goes before the station's own limits."""
    room: RoomRules | None = None
    """The file's `[room]`, the same for all its stations."""

    def expectation(self, sent: bytes | None) -> Expectation:
        """What an echo test on this station is held against."""
        return Expectation(
            baud=self.baud,
            frame=self.frame,
            logic=self.logic,
            sent=sent,
            limits=self.limits,
            accuracy=self.accuracy,
            limit_sources=self.limit_sources,
        )

    def on_plan(self, plan: str | None) -> Station:
        """The station with the limits of a plan that is run on it."""
        stated = self.plan_limits.get(plan or "", {})
        return dataclasses.replace(
            self,
            limits=limits_from(stated, self.limits),
            limit_sources={**self.limit_sources, **dict.fromkeys(stated, f"plan {plan}")},
        )


def load_stations(path: Path | str) -> tuple[Station, ...]:
    """All stations of a file, in its order.

    Raises:
        BadStationsFile: the first thing that is wrong, with file, station, key and value.
    """
    path = Path(path)
    document = read_toml(path)
    where = Place(str(path))
    where.known(document, ("station", "schedule", "morning", "plan", "room"))
    tables = document.get("station", [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise where.wrong("stations are written as [[station]], with two brackets")
    if not tables:
        raise where.wrong("names no station: at least one [[station]] is needed")
    by_plan = plan_limits(document.get("plan", {}), where.at_table("plan"))
    of_all: dict[str, Any] = {"plan_limits": by_plan}
    of_all["room"] = read_room(document.get("room"), where.at_table("room"))
    stations = tuple(
        dataclasses.replace(_station(table, where.at_station(table, i), path), **of_all)
        for i, table in enumerate(tables)
    )
    _refuse_sharing(stations, where)
    return stations


def station_named(stations: Sequence[Station], name: str) -> Station:
    """UnknownStation names the nearest, or all when none is near."""
    for station in stations:
        if station.name == name:
            return station
    names = [s.name for s in stations]
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(names) or 'none'}"
    raise UnknownStation(f"no station {name!r}; {hint}")


def _station(table: Mapping[str, Any], where: Place, path: Path) -> Station:
    where.known(table, [f.name for f in dataclasses.fields(Station) if f.name not in NOT_IN_THE_FILE])
    name = where.text(table, "name", "a name")
    if not NAME.fullmatch(name):
        raise where.wrong("must be letters, digits, '.', '_' and '-', at most 64, was " + repr(name), "name")
    dialect, channels = _dialect(where.text(table, "dialect", DIALECT_WORDS), path, where)
    return Station(
        name=name,
        scope=where.text(table, "scope", 'a VISA resource name such as "TCPIP::192.0.2.7::hislip0::INSTR"'),
        dialect=dialect,
        serial=where.text(table, "serial", "a device path or a pyserial URL"),
        baud=where.positive(table, "baud", "a bit rate in Bd"),
        frame=_frame(where.text(table, "frame", 'a frame such as "8N1"'), where),
        logic=_logic(where.text(table, "logic", "a logic family as text"), where),
        probes=_probes(table, channels, where),
        limits=limits(table, where),
        limit_sources=dict.fromkeys(table.get("limits", {}), "station"),
        accuracy=_accuracy(table, where),
        check_limits=check_limits(table, where),
        reference=_reference(table, where),
        **_options(table, where, path),
    )


def _options(table: Mapping[str, Any], where: Place, path: Path) -> dict[str, Any]:
    """Keys that a station may leave out."""
    kinds: tuple[tuple[str, Callable[[], Any]], ...] = (
        ("identity", lambda: where.text(table, "identity", "an *IDN? answer, or some of its four fields")),
        ("leave_as_found", lambda: where.value(table, "leave_as_found", bool, "true or false")),
        ("visa_library", lambda: where.text(table, "visa_library", 'a VISA library such as "@py"')),
        ("commissioned", lambda: _beside(where.text(table, "commissioned", "a commissioning record"), path)),
    )
    return {name: read() for name, read in kinds if name in table}


def _dialect(text: str, path: Path, where: Place) -> tuple[str, tuple[str, ...]]:
    """The dialect and its channels. A path counts from the folder of the stations file."""
    if text.endswith(".toml") or "/" in text or os.sep in text:
        text = _beside(text, path)
    try:
        return text, tuple(load_dialect(text).channels)
    except RequestError as error:
        raise where.wrong(str(error), "dialect") from None


def _beside(text: str, path: Path) -> str:
    """A path counts from the folder of the stations file."""
    return str((path.parent / Path(text).expanduser()).resolve())


def _frame(text: str, where: Place) -> FrameFormat:
    try:
        frame = FrameFormat.parse(text)
    except ValueError as error:
        raise where.wrong(str(error), "frame") from None
    if frame.data_bits > 8:
        raise where.wrong(f"a PC's serial link sends 5 to 8 data bits, was {text!r}", "frame")
    return frame


def _logic(text: str, where: Place) -> str:
    if text not in LOGIC_FAMILIES:
        raise where.wrong(f"must be one of {', '.join(LOGIC_FAMILIES)}, was {text!r}", "logic")
    return text


def _probes(table: Mapping[str, Any], channels: Sequence[str], where: Place) -> dict[str, Probe]:
    given, place = where.value(table, "probes", dict, "a table [station.probes]"), where.at_table("probes")
    place.known(given, ROLES)
    words = "{channel = ..., ratio = ...}"
    logic = _logic(where.text(table, "logic", "a logic family as text"), where)
    probes = {
        r: _probe(place.value(given, r, dict, words), channels, logic, place.at_table(r)) for r in ROLES
    }
    if probes["to_target"].channel == probes["from_target"].channel:
        raise place.wrong(
            f"both probes name channel {probes['to_target'].channel!r}; each line needs its own"
        )
    return probes


def _probe(table: Mapping[str, Any], channels: Sequence[str], logic: str, where: Place) -> Probe:
    """A channel that the scope does not have is found here, not at the first run."""
    where.known(table, ("channel", "ratio", "input_ohm"))
    channel = table.get("channel")
    if isinstance(channel, int) and not isinstance(channel, bool):
        table = {**table, "channel": str(channel)}
    name = where.text(table, "channel", 'a channel of the scope such as "1"')
    if name not in channels:
        raise where.wrong(f"the dialect has channels {', '.join(channels)}, was {name!r}", "channel")
    ratio = where.positive(table, "ratio", "the probe's ratio such as 10")
    return Probe(name, ratio, _input_ohm(table, ratio, logic, where))


def _input_ohm(table: Mapping[str, Any], ratio: float, logic: str, where: Place) -> float:
    """1 megohm; 50 ohm only where the levels cannot do harm behind this probe."""
    if "input_ohm" not in table:
        return 1e6
    ohm = where.positive(table, "input_ohm", "1e6 or 50")
    if ohm not in (1e6, 50.0):
        raise where.wrong(f"an input has 1e6 or 50 ohm, was {ohm:g}", "input_ohm")
    levels = family(logic)
    most = max(abs(levels.floor_v), abs(levels.ceiling_v)) / ratio
    if ohm == 50.0 and most > MOST_AT_50_OHM_V:
        raise where.wrong(
            f"{logic} logic can bring {most:.3g} V to the connector behind a {ratio:g}x probe, at most "
            f"{MOST_AT_50_OHM_V:g} V are let near a 50 ohm input (5 V can destroy it)",
            "input_ohm",
        )
    return ohm


def _reference(table: Mapping[str, Any], where: Place) -> Reference:
    given, place = table.get("reference", {}), where.at_table("reference")
    place.table_of(given, [f.name for f in dataclasses.fields(Reference)])
    words = "what is printed beside the scope's reference terminal"
    return Reference(**{name: place.positive(given, name, words) for name in given})


def _accuracy(table: Mapping[str, Any], where: Place) -> Accuracy:
    given, place = table.get("accuracy", {}), where.at_table("accuracy")
    names = tuple(f.name for f in dataclasses.fields(Accuracy) if f.name != "assumed")
    place.table_of(given, names)
    values = {name: place.positive(given, name, "a number from the data sheet") for name in given}
    return Accuracy(**values, assumed=tuple(name for name in names if name not in given))


def _refuse_sharing(stations: Sequence[Station], where: Place) -> None:
    """Two stations on one instrument would take each other's captures."""
    rules: tuple[tuple[str, Callable[[Station], str], Callable[[Station], str]], ...] = (
        ("name", lambda s: s.name.casefold(), lambda s: s.name),
        ("scope", lambda s: s.scope.casefold(), lambda s: s.scope),
        ("serial", lambda s: _link_key(s.serial), lambda s: s.serial),
    )
    for what, key, shown in rules:
        first: dict[str, Station] = {}
        for station in stations:
            other = first.setdefault(key(station), station)
            if other is not station:
                holder = "another station" if what == "name" else f"station {other.name!r}"
                raise dataclasses.replace(where, station=f"station {station.name!r}").wrong(
                    f"{holder} has {shown(other)!r} already", what
                )


def _link_key(serial: str) -> str:
    """Two names of one device file (by-id links) are one link."""
    return serial.casefold() if "://" in serial else os.path.realpath(serial)
