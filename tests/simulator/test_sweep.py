"""Records: samples lie exactly where the settings say, in the form that was asked for."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest

from simulator.scope.encoding import block, encode
from simulator.scope.settings import ChannelSettings, FormatSettings
from tests.simulator.desk import VERTICAL, Desk, ideal


@pytest.mark.parametrize(
    ("points", "interval", "location", "offset"),
    [
        (1001, 1e-7, 0.0, 0.0),
        (1001, 1e-7, 0.5, 0.0),
        (1000, 5e-8, 0.25, 1e-5),
        (200, 1e-6, 1.0, 0.0),
        (5000, 3.7e-8, 0.1, -2e-5),
    ],
)
def test_each_sample_lies_where_the_settings_say(
    points: int, interval: float, location: float, offset: float
) -> None:
    """Sample n lies D + (n - L (P - 1)) T after the trigger: a slow edge is a ruler for that."""
    desk = Desk(ideal())
    desk.tell(
        VERTICAL
        + f";:SENS:SWE:TINT {interval};POIN {points};OREF:LOC {location};:SENS:SWE:OFFS:TIME {offset}"
        ";:TRIG:SOUR INT1;LEV 1.64;SLOP NEG;:INIT"
    )
    desk.clock.spend(1e-3)
    at = desk.clock.now() + 1e-3
    duration = 30 * interval
    desk.move(at, 0.0, duration)
    desk.clock.spend(1.0)
    volts = desk.volts()
    first = offset - location * (points - 1) * interval
    crossing = np.flatnonzero((volts[:-1] > 1.64) & (volts[1:] <= 1.64))
    wanted = -first / interval  # the trigger is the 50 % instant of this edge
    if not 1 < wanted < points - 2:
        assert len(crossing) == 0 or abs(crossing[0] - wanted) < 2
        return
    place = int(crossing[0])
    exact = place + (volts[place] - 1.64) / (volts[place] - volts[place + 1])
    assert exact == pytest.approx(wanted, abs=0.2)


def test_a_fast_clock_makes_the_record_look_longer() -> None:
    """+1000 ppm: what lasts 1 ms seems to last 1.001 ms."""
    plan = ideal()
    desk = Desk(replace(plan, scope=replace(plan.scope, clock_ppm=1000.0)))
    desk.tell(VERTICAL + ";:SENS:SWE:TINT 1E-7;POIN 12000;OREF:LOC 0;:TRIG:SOUR INT1;LEV 1.65;SLOP NEG;:INIT")
    start = desk.clock.now() + 1e-3
    desk.move(start, 0.0)
    desk.move(start + 1e-3, 3.3)
    desk.clock.spend(1.0)
    edges = np.flatnonzero(np.abs(np.diff(desk.volts())) > 1)
    assert edges[-1] - edges[0] == pytest.approx(10010, abs=1)


def test_after_a_day_samples_still_lie_within_picoseconds() -> None:
    """Bench time is a double: a day after power-on an edge 1 us after the trigger is where it belongs."""
    desk = Desk(ideal())
    desk.clock.spend(86_400.0)
    desk.tell(VERTICAL + ";:SENS:SWE:TINT 1E-9;POIN 2000;OREF:LOC 0;:TRIG:SOUR INT1;LEV 1.65;SLOP NEG;:INIT")
    start = desk.clock.now() + 1e-3
    desk.move(start, 0.0, 20e-9)
    desk.move(start + 1e-6, 3.3, 20e-9)
    desk.clock.spend(1.0)
    volts = desk.volts()
    rise = int(np.flatnonzero((volts[:-1] < 1.65) & (volts[1:] >= 1.65))[0])
    exact = rise + (1.65 - volts[rise]) / (volts[rise + 1] - volts[rise])
    assert exact == pytest.approx(1000, abs=0.1)


def test_time_is_interval_times_points_less_one() -> None:
    """The coupling of SWEep:TIME, chosen once."""
    desk = Desk()
    desk.tell("SENS:SWE:POIN 1001;TINT 2E-6")
    assert float(desk.ask("SENS:SWE:TIME?")) == pytest.approx(2e-3, rel=1e-12)
    desk.tell("SENS:SWE:TIME 1E-3")
    assert float(desk.ask("SENS2:SWE:TINT?")) == pytest.approx(1e-6, rel=1e-12)
    desk.tell("SENS:SWE:OFFS:POIN 10")
    assert float(desk.ask("SENS:SWE:OFFS:TIME?")) == pytest.approx(1e-5, rel=1e-12)


def test_the_trigger_cannot_lie_after_the_record() -> None:
    """Nobody knows the future of a record that is over: -221 at INITiate."""
    desk = Desk()
    desk.tell("SENS:SWE:OREF:LOC 1;:SENS:SWE:OFFS:TIME -1E-3")
    assert desk.error("INIT") == -221


def test_the_record_is_as_long_as_was_set_and_no_longer_than_the_memory() -> None:
    """Record length is obeyed exactly; above the memory -222."""
    desk = Desk(memory=2000)
    desk.tell(VERTICAL + ";:TRIG:SOUR IMM")
    for points in (16, 17, 999, 2000):
        desk.ask(f"SENS:SWE:POIN {points};:INIT;*WAI")
        assert len(desk.codes(1)) == len(desk.codes(2)) == points
    assert desk.error("SENS:SWE:POIN 2001") == -222


def test_a_range_follows_a_change_of_the_probe_factor() -> None:
    """The window stays where it is at the input; readings are referred to the tip."""
    desk = Desk()
    desk.tell("*RST;:SENS:VOLT:RANG:PTP 0.5;OFFS 0.165;:SENS:CORR ON;CORR:LOSS 20 DB")
    assert float(desk.ask("SENS:VOLT:RANG:PTP?")) == pytest.approx(5.0)
    assert float(desk.ask("SENS:VOLT:RANG:OFFS?")) == pytest.approx(1.65)
    assert float(desk.ask("SENS:VOLT:RANG:UPP?")) == pytest.approx(4.15)
    desk.tell("SENS:VOLT:RANG:LOW 0")
    assert float(desk.ask("SENS:VOLT:RANG:PTP?")) == pytest.approx(4.15)


@pytest.mark.parametrize(
    ("data", "length", "border", "bytes_"),
    [
        ("INT", 8, "NORM", "01 FE"),
        ("INT", 16, "NORM", "01 00 FE 00"),
        ("INT", 16, "SWAP", "00 01 00 FE"),
        ("REAL", 32, "NORM", "3F 80 00 00 C0 00 00 00"),
        ("REAL", 32, "SWAP", "00 00 80 3F 00 00 00 C0"),
    ],
)
def test_records_are_encoded_in_the_byte_order_asked_for(
    data: str, length: int, border: str, bytes_: str
) -> None:
    """2.5 [calc, IEEE 754]: REAL,32 of 1.0 = 3F 80 00 00, SWAPped 00 00 80 3F; codes 1, -2 at 1 V a code."""
    channel = ChannelSettings(input_window_v=256.0)
    reply = encode(np.array([1, -2], dtype=np.int8), channel, FormatSettings(data, length, border))
    assert reply[0:1] == b"#"
    assert reply[3:] == bytes.fromhex(bytes_)


def test_real_64_and_ascii_carry_volts() -> None:
    """REAL,64 of 2.5 = 40 04 00 .. (IEEE 754, 2.5); ASCii in volts."""
    channel = ChannelSettings(input_window_v=128.0)
    codes = np.array([5], dtype=np.int8)
    assert encode(codes, channel, FormatSettings("REAL", 64))[3:] == bytes.fromhex("40 04 00 00 00 00 00 00")
    assert float(encode(codes, channel, FormatSettings()).decode()) == 2.5
    assert struct.unpack(">d", encode(codes, channel, FormatSettings("REAL", 64))[3:]) == (2.5,)


def test_blocks_have_the_published_form() -> None:
    """8.7.9: `#15HELLO`, `#10`, `#3764` + 764 bytes (a real instrument's reply [read])."""
    assert block(b"HELLO") == b"#15HELLO"
    assert block(b"") == b"#10"
    assert block(bytes(764)).startswith(b"#3764\0")
    assert block(bytes(14466)).startswith(b"#514466\0")


def test_formats_are_set_and_answered() -> None:
    """FORMat[:DATA]; *RST: ASC,0, NORMal."""
    desk = Desk()
    assert desk.ask("FORM?;:FORM:BORD?") == "ASC,0;NORM"
    desk.tell("FORM REAL;:FORM:BORD SWAP")
    assert desk.ask("FORM:DATA?;BORD?") == "REAL,32;SWAP"
    desk.tell("FORM INTEGER,16;*RST")
    assert desk.ask("FORM?") == "ASC,0"


def test_a_channel_that_is_off_has_no_record() -> None:
    """-230; the other channel has one."""
    desk = Desk()
    desk.tell(VERTICAL + ";:INP2 OFF;:TRIG:SOUR IMM")
    desk.ask("INIT;*WAI")
    assert len(desk.codes(1)) == 1000
    assert desk.error("FETC:VOLT? (@2)") == -230
