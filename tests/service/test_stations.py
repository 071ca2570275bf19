"""The stations file: what is right is read, what is wrong is named with file, station and key."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from service.errors import BadStationsFile, UnknownStation, outcome_of
from service.hooks import RunHooks
from service.pipeline.expectation import Accuracy, Limits
from service.pipeline.readings import FrameFormat
from service.run_record import Run
from service.stations import Reference, Station, load_stations, station_named
from service.wiring import echo_work

# the example of the contract with outsiders, in our own lab
ONE = """
[[station]]
name = "north-3"
scope = "TCPIP::127.0.0.1::hislip0,14880::INSTR"
dialect = "scpi-1999"
serial = "socket://127.0.0.1:15000"
baud = 230400
frame = "8N1"
logic = "3.3"
[station.probes]
to_target = {channel = "1", ratio = 10}
from_target = {channel = "2", ratio = 10}
[station.limits]
latency_max_s = 2e-3
rate_percent = 2
[station.accuracy]
timebase_ppm = 25
vertical_percent = 3
"""
TWO = ONE + ONE.replace("north-3", "north-4").replace("14880", "14881").replace("15000", "15001")


def load(tmp_path: Path, text: str) -> tuple[object, ...]:
    path = tmp_path / "stations.toml"
    path.write_text(text, encoding="utf-8")
    return load_stations(path)


def test_a_full_entry_is_read_with_all_its_values(tmp_path: Path) -> None:
    """Numbers keep their meaning whether written as 2 or 2.0."""
    path = tmp_path / "stations.toml"
    path.write_text(ONE)
    (station,) = load_stations(path)
    assert (station.name, station.baud, station.logic) == ("north-3", 230400, "3.3")
    assert station.frame == FrameFormat(8, "N", 1)
    assert station.probes["from_target"].channel == "2"
    assert station.limits == Limits(latency_max_s=2e-3, rate_percent=2.0)
    assert station.accuracy == Accuracy(25.0, 3.0, assumed=())
    expectation = station.expectation(b"Tide 7")
    assert (expectation.sent, expectation.baud, expectation.limits) == (b"Tide 7", 230400, station.limits)


def test_limits_and_accuracy_may_be_left_out_and_the_assumed_is_named(tmp_path: Path) -> None:
    """A result says what nobody stated."""
    path = tmp_path / "stations.toml"
    path.write_text(ONE.split("[station.limits]")[0] + "[station.accuracy]\nvertical_percent = 2\n")
    (station,) = load_stations(path)
    assert station.limits == Limits()
    assert station.accuracy.assumed == ("timebase_ppm",)


def test_the_reference_terminal_is_one_kilohertz_and_five_volts_unless_stated(tmp_path: Path) -> None:
    """Common practice, no source; what is printed beside the terminal counts."""
    path = tmp_path / "stations.toml"
    path.write_text(ONE)
    assert load_stations(path)[0].reference == Reference(5.0, 1000.0)
    path.write_text(ONE + "[station.reference]\nvolts = 3\n")
    assert load_stations(path)[0].reference == Reference(3.0, 1000.0)


def test_a_dialect_by_path_counts_from_the_stations_file(tmp_path: Path) -> None:
    """Wherever the service was started from."""
    path = tmp_path / "lab" / "stations.toml"
    path.parent.mkdir()
    ours = path.parent / "dialects" / "ours.toml"
    ours.parent.mkdir()
    shipped = resources.files("drivers.scope.dialects").joinpath("scpi-1999.toml")
    ours.write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    path.write_text(ONE.replace('"scpi-1999"', '"dialects/ours.toml"'))
    (station,) = load_stations(path)
    assert station.dialect == str(ours)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "baud = 230400",
            "bauds = 230400",
            "station 'north-3', key bauds: unknown key, did you mean 'baud'?",
        ),
        (
            "latency_max_s",
            "latency_max",
            "key limits.latency_max: unknown key, did you mean 'latency_max_s'?",
        ),
        (
            "timebase_ppm",
            "time_base_ppm",
            "key accuracy.time_base_ppm: unknown key, did you mean 'timebase_ppm'?",
        ),
        ("to_target =", "to_traget =", "key probes.to_traget: unknown key, did you mean 'to_target'?"),
        ('{channel = "1", ratio', '{chanel = "1", ratio', "key probes.to_target.chanel: unknown key"),
        ("[[station]]", "[[stations]]", "key stations: unknown key, did you mean 'station'?"),
        ("[[station]]", "[station]", "two brackets"),
        ('name = "north-3"', "", "station number 1, key name: is missing"),
        ('name = "north-3"', 'name = "north 3"', "key name: must be letters"),
        ('name = "north-3"', 'name = "../etc"', "key name: must be letters"),
        ("baud = 230400", 'baud = "fast"', "key baud: must be a bit rate in Bd, was 'fast'"),
        ("baud = 230400", "baud = true", "key baud"),
        ("baud = 230400", "baud = 0", "above zero, was 0"),
        ("baud = 230400", "baud = nan", "above zero, was nan"),
        ("baud = 230400", "", "key baud: is missing"),
        ('frame = "8N1"', 'frame = "8X1"', "key frame: frame '8X1' is not of the form 8N1"),
        ('frame = "8N1"', 'frame = "9N1"', "5 to 8 data bits"),
        ('logic = "3.3"', 'logic = "3.4"', "must be one of 1.8, 2.5, 3.3"),
        ('logic = "3.3"', "logic = 3.3", "key logic: must be a logic family as text, was 3.3"),
        (
            'channel = "2"',
            'channel = "7"',
            "key probes.from_target.channel: the dialect has channels 1, 2, was '7'",
        ),
        ('"scpi-1999"', '"scpi-1998"', "key dialect: there is no dialect 'scpi-1998'"),
        ('"scpi-1999"', '"no/such.toml"', "key dialect: the dialect file"),
        ("ratio = 10}", "ratio = -10}", "key probes.to_target.ratio"),
        ('channel = "2"', 'channel = "1"', "both probes name channel '1'"),
        ("rate_percent = 2", 'rate_percent = "two"', "key limits: rate_percent must be a number, was 'two'"),
        ("rate_percent = 2", 'required = ["contents"]', "key limits: required must list criteria"),
        ("timebase_ppm = 25", "timebase_ppm = -1", "key accuracy.timebase_ppm"),
        ('serial = "socket://127.0.0.1:15000"', 'serial = ""', "key serial"),
        ('"north-3"', '"north-3', "is not TOML"),
    ],
)
def test_what_is_wrong_is_named_with_file_station_and_key(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    """One sentence that a person can act on."""
    assert old in ONE
    with pytest.raises(BadStationsFile, match=re.escape(words)) as caught:
        load(tmp_path, ONE.replace(old, new, 1))
    assert str(tmp_path / "stations.toml") in str(caught.value)
    assert outcome_of(caught.value).exit_code == 2


def test_every_limit_of_the_pipeline_can_be_set_per_station(tmp_path: Path) -> None:
    """A limit that is added tomorrow is known here without another word."""
    import dataclasses

    names = [f.name for f in dataclasses.fields(Limits) if f.name != "required"]
    lines = "\n".join(f"{name} = {0.5 + n}" for n, name in enumerate(names))
    path = tmp_path / "stations.toml"
    path.write_text(ONE.split("[station.limits]")[0] + "[station.limits]\n" + lines)
    (station,) = load_stations(path)
    assert [getattr(station.limits, name) for name in names] == [0.5 + n for n in range(len(names))]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("north-4", "north-3", "key name: another station has 'north-3' already"),
        ("north-4", "NORTH-3", "key name: another station has 'north-3'"),
        ("14881", "14880", "station 'north-4', key scope: station 'north-3' has"),
        ("15001", "15000", "station 'north-4', key serial: station 'north-3' has"),
    ],
)
def test_two_stations_may_share_neither_name_nor_scope_nor_link(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    """They would take each other's captures."""
    assert len(load(tmp_path, TWO)) == 2
    with pytest.raises(BadStationsFile, match=re.escape(words)):
        load(tmp_path, TWO.replace(old, new))


def test_two_names_of_one_serial_device_are_one_link(tmp_path: Path) -> None:
    """Links under by-id point at the same device file."""
    device, alias = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    alias.symlink_to(device)
    text = TWO.replace("socket://127.0.0.1:15000", str(device)).replace(
        "socket://127.0.0.1:15001", str(alias)
    )
    with pytest.raises(BadStationsFile, match="key serial"):
        load(tmp_path, text)


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "no such stations file"), (b"\xff\xfe", "is not UTF-8 text"), (b"", "names no station")],
)
def test_a_file_that_is_none_is_told_plainly(tmp_path: Path, content: bytes | None, words: str) -> None:
    """Missing, not text, empty."""
    path = tmp_path / "stations.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadStationsFile, match=words):
        load_stations(path)


def test_a_folder_in_place_of_the_file_is_told_plainly(tmp_path: Path) -> None:
    """The system's own words."""
    with pytest.raises(BadStationsFile, match="cannot be read"):
        load_stations(tmp_path)


def test_an_unknown_station_is_told_with_the_nearest_or_with_all(tmp_path: Path) -> None:
    """So that a slip of the finger is seen at once."""
    path = tmp_path / "stations.toml"
    path.write_text(TWO)
    stations = load_stations(path)
    with pytest.raises(UnknownStation, match="did you mean north-3"):
        station_named(stations, "nroth-3")
    with pytest.raises(UnknownStation, match="there are north-3, north-4"):
        station_named(stations, "zzz")


def test_a_byte_order_mark_at_the_head_is_no_mistake(tmp_path: Path) -> None:
    """Some editors write one before everything else."""
    path = tmp_path / "stations.toml"
    path.write_bytes(b"\xef\xbb\xbf" + ONE.encode())
    assert load_stations(path)[0].name == "north-3"


def test_an_input_is_at_1_megohm_unless_the_station_says_50_ohm(tmp_path: Path) -> None:
    """It may, for a probe and a logic family that cannot bring 2.5 V to the connector."""
    text = ONE.replace("ratio = 10}", "ratio = 10, input_ohm = 50}", 1)
    (tmp_path / "stations.toml").write_text(text, encoding="utf-8")
    (station,) = load_stations(tmp_path / "stations.toml")
    assert [probe.input_ohm for probe in station.probes.values()] == [50.0, 1e6]


@pytest.mark.parametrize(
    ("probe", "told"),
    [
        ("ratio = 1, input_ohm = 50}", "3.6 V to the connector behind a 1x probe.*5 V can destroy it"),
        ("ratio = 10, input_ohm = 75}", "an input has 1e6 or 50 ohm, was 75"),
    ],
)
def test_50_ohm_are_refused_where_they_could_be_destroyed(tmp_path: Path, probe: str, told: str) -> None:
    """3.3 V logic straight on a 50 ohm input is refused before anything is switched."""
    path = tmp_path / "stations.toml"
    path.write_text(ONE.replace("ratio = 10}", probe, 1), encoding="utf-8")
    with pytest.raises(BadStationsFile, match=told):
        load_stations(path)


PLAN_LIMITS = """
[plan.all-values.limits]
rate_percent = 1
required = ["content"]
"""


def test_a_plans_limits_go_before_the_stations_and_those_before_the_defaults(tmp_path: Path) -> None:
    """And the expectation says who stated each."""
    path = tmp_path / "stations.toml"
    own = "\n[station.limits]\nrate_percent = 3\nlatency_max_s = 0.5\n"
    path.write_text(ONE.split("[station.limits]")[0] + own + PLAN_LIMITS, encoding="utf-8")
    (station,) = load_stations(path)
    usual, strict = (
        station.on_plan("short").expectation(None),
        station.on_plan("all-values").expectation(None),
    )
    assert (usual.limits.rate_percent, usual.limits.latency_max_s) == (3.0, 0.5)
    assert usual.limit_sources == {"rate_percent": "station", "latency_max_s": "station"}
    assert (strict.limits.rate_percent, strict.limits.latency_max_s) == (1.0, 0.5)
    assert strict.limits.required == ("content",)
    assert strict.limits.edge_percent == Limits().edge_percent
    assert strict.limit_sources == {
        "rate_percent": "plan all-values", "latency_max_s": "station", "required": "plan all-values",
    }  # fmt: skip
    assert station.on_plan(None) == station


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (
            "[plan.al-values.limits]\nrate_percent = 1",
            "plan.al-values: unknown key, did you mean 'all-values'",
        ),
        ("[plan.short.limits]\nrate_per_cent = 1", "rate_per_cent: unknown key, did you mean 'rate_percent'"),
        ("[plan.short.limits]\nrate_percent = -1", "rate_percent must be positive"),
        ("[plan.short]\nlimit = 1", "unknown key, did you mean 'limits'"),
    ],
)
def test_what_a_plan_cannot_state_is_refused_with_the_nearest(tmp_path: Path, table: str, told: str) -> None:
    """Plan, limit and value are looked at when the file is read."""
    path = tmp_path / "stations.toml"
    path.write_text(f"{ONE}\n{table}\n", encoding="utf-8")
    with pytest.raises(BadStationsFile, match=told):
        load_stations(path)


def test_a_run_of_a_plan_is_held_against_the_plans_limits(tmp_path: Path) -> None:
    """The work of an echo test gets the station as the plan has it; text that was sent, the station's own."""
    path = tmp_path / "stations.toml"
    path.write_text(ONE + PLAN_LIMITS, encoding="utf-8")
    (station,) = load_stations(path)
    seen: list[float] = []

    def echo_test(on: Station, payload: bytes, _: RunHooks) -> dict[str, Any]:
        seen.append(on.limits.rate_percent)
        return {"verdict": "pass", "sent": payload.hex()}

    for request in ({"plan": "all-values", "payload_hex": "00"}, {"text": "T", "payload_hex": "54"}):
        run = Run("1", "echo", station.name, request, "2027-01-12T06:31:08Z")
        echo_work(echo_test)(station, run, RunHooks())
    assert seen == [1.0, 2.0]
