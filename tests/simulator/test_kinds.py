"""Every kind of firmware and bench does on the wires what its row says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.faults import BENCHES, FIRMWARES, Kind, bench_plan, kind
from simulator.frame import Frame
from tests.simulator.desk import VERTICAL, Desk

TEXT = b"Tide 7"
WATCH = (
    VERTICAL + ";:SENS1:VOLT:RANG:PTP 80;:SENS2:VOLT:RANG:PTP 80;:SENS:SWE:TINT 2E-7;POIN 4000;OREF:LOC 0.05"
    ";:TRIG:SOUR INT1;LEV 1.65;SLOP NEG;:INIT"
)


def heard(firmware: str, text: bytes = TEXT) -> bytes:
    return Desk(firmware=firmware).send(text)


@pytest.mark.parametrize(
    ("firmware", "text", "echo"),
    [
        ("good", TEXT, TEXT),
        ("silent", TEXT, b""),
        ("drops-one", TEXT, b"Tde 7"),
        ("doubles-one", TEXT, b"Tiide 7"),
        ("changes-case", TEXT, b"tIDE 7"),
        ("flips-bit", TEXT, b"Thde 7"),
        ("swaps-pair", b"Tide 7!", b"iTde !7"),
        ("late", TEXT, TEXT),
        ("slows-down", TEXT, TEXT),
        ("wrong-rate", TEXT, TEXT),
        ("drifts", TEXT, TEXT),
        ("weak-levels", TEXT, TEXT),
        ("slow-edges", TEXT, TEXT),
    ],
)
def test_each_firmware_answers_as_its_row_says(firmware: str, text: bytes, echo: bytes) -> None:
    """What the PC reads, heard by the adapter's own UART from the wire."""
    assert heard(firmware, text) == echo


def test_a_program_errs_alike_in_each_burst() -> None:
    """A pause begins a new burst: the second character is dropped again."""
    desk = Desk(firmware="drops-one")
    for _ in range(3):
        assert desk.send(b"abc") == b"ac"
        desk.clock.spend(0.1)


def test_a_break_is_longer_than_a_frame() -> None:
    """Kind sends-break: space for 24 bits."""
    desk = Desk(firmware="sends-break")
    desk.send(TEXT)
    piece = desk.network.from_target.piece(0.0, 10.0)
    lows = np.diff(piece.times)[piece.volts[:-1] < 1]
    assert lows.max() * 230400 == pytest.approx(24, rel=0.01)


def test_an_overrun_loses_characters_at_full_rate_and_none_at_leisure() -> None:
    """One-character register: what arrives while it is full is lost."""
    assert len(heard("overrun", bytes(20))) < 20
    desk = Desk(firmware="overrun")
    for _ in range(20):
        assert desk.send(b"x") == b"x"
        desk.clock.spend(1e-3)


def test_the_good_board_keeps_up_at_full_rate() -> None:
    """All values twice, no pause: nothing overrun."""
    text = bytes(range(256)) * 2
    assert heard("good", text) == text


@pytest.mark.parametrize(("firmware", "percent"), [("wrong-rate", 2.8), ("good", 0.0)])
def test_sending_rates_are_off_by_what_the_row_says(firmware: str, percent: float) -> None:
    """Of the from-target bits, measured on the wire's steps."""
    desk = Desk(firmware=firmware)
    desk.send(b"U")
    times = desk.network.from_target.piece(0.0, 10.0).times
    rate = 9 / (times[-1] - times[0])
    assert 100 * (rate / 230400 - 1) == pytest.approx(percent, abs=0.02)


def test_a_drifting_rate_gets_worse_with_each_character() -> None:
    """0.4 % a character, up to 4 %."""
    desk = Desk(firmware="drifts")
    desk.send(b"U" * 14)
    times = desk.network.from_target.piece(0.0, 10.0).times.reshape(14, 10)
    rates = 9 / (times[:, -1] - times[:, 0]) / 230400 - 1
    assert 100 * (rates - rates[0]) == pytest.approx(np.minimum(np.arange(14) * 0.4, 4.0), abs=0.01)


@pytest.mark.parametrize(
    ("firmware", "frame"), [("framing", "8N1"), ("parity-bit", "8N1"), ("wrong-parity", "8E1")]
)
def test_wrong_frames_are_seen_by_a_receiver_of_the_right_frame(firmware: str, frame: str) -> None:
    """The adapter's own UART finds framing or parity errors."""
    desk = Desk(bench_plan(firmware=firmware, frame=Frame.parse(frame)))
    network = desk.network
    network.to_target.drive(steps := network.adapter.write(b"ABCa", 1.0))
    network.board.receiver.listener.hear(steps)
    answers = network.board.run(100.0)
    network.adapter.receiver.listener.hear(answers)
    got = network.adapter.receiver.run(100.0)
    assert any(one.parity_error if firmware == "wrong-parity" else one.framing_error for one in got)


def test_weak_levels_and_slow_edges_are_on_the_wire() -> None:
    """1.9 V and 0.9 V; 10-90 % in 1.2 us."""
    desk = Desk(firmware="weak-levels")
    desk.send(b"U")
    assert set(desk.network.from_target.piece(0.0, 10.0).volts.tolist()) == {1.9, 0.9}
    desk = Desk(firmware="slow-edges")
    desk.send(b"U")
    piece = desk.network.from_target.piece(0.0, 10.0)
    assert set(piece.durations[piece.volts > 2].tolist()) == {1.2e-6}


def latency(firmware: str) -> float:
    """Seconds from the end of the last stop bit of the second character to the start of its echo."""
    desk = Desk(firmware=firmware)
    desk.send(b"UU")
    sent, echoed = desk.network.to_target.piece(0.0, 10.0), desk.network.from_target.piece(0.0, 10.0)
    return float(echoed.times[10] - (sent.times[10] + 10 / 230400))


def test_latencies_are_those_of_the_rows() -> None:
    """A good board takes microseconds, a late one 5 ms, one that slows down 1 ms more for the second."""
    assert 0 < latency("good") < 20e-6
    assert latency("late") == pytest.approx(5e-3, abs=20e-6)
    assert latency("slows-down") == pytest.approx(1e-3, abs=20e-6)


@pytest.mark.parametrize("name", ["good", "lines-bridged", "probes-exchanged"])
def test_an_echo_starts_only_after_its_character_was_received(name: str) -> None:
    """Except where the two lines are one: there it starts at the same time, which no board could do."""
    desk = Desk(bench=name)
    desk.tell(WATCH.replace("INT1", "INT2") if name == "probes-exchanged" else WATCH)
    assert desk.send(b"U") == b"U"
    desk.ask("*WAI")
    starts = [int(np.flatnonzero(desk.codes(channel) * 0.3125 + 1.65 < 1.65)[0]) for channel in (1, 2)]
    apart = starts[1] - starts[0]
    bounds = {"good": (220, 300), "lines-bridged": (-1, 1), "probes-exchanged": (-300, -220)}[name]
    assert bounds[0] <= apart <= bounds[1]  # of 0.2 us: 217 is one whole character


def record(bench: str, channel: int = 2) -> NDArray[np.float64]:
    """What a record of that channel shows when a text is sent; forced where it does not trigger."""
    desk = Desk(bench=bench)
    desk.tell(WATCH)
    desk.send(TEXT)
    if desk.ask("STAT:OPER:COND?") == "40":
        desk.tell("TRIG:IMM")
    desk.ask("*WAI")
    window = float(desk.ask(f"SENS{channel}:VOLT:RANG:PTP?"))
    return desk.codes(channel).astype(np.float64) * window / 256 + 1.65


def test_benches_show_in_the_record_what_their_rows_say() -> None:
    """Levels of the from-target channel, window 80 V (0.3 V a code)."""
    assert record("good").max() == pytest.approx(3.28, abs=0.5)
    assert record("probe-ratio-off").max() == pytest.approx(32.8, abs=0.7)
    assert record("both-ratios-off", 1).max() == pytest.approx(32.8, abs=0.7)
    assert record("zero-shifted").min() == pytest.approx(0.92, abs=0.6)
    assert np.ptp(record("line-undriven")) < 1.6
    assert np.ptp(record("dead-channel", 1)) < 1.6
    assert np.std(record("noisy")[:150]) > 2 * np.std(record("good")[:150])


@pytest.mark.parametrize(
    ("bench", "amplitude", "period_ms"),
    [("reference-missing", 0.0, None), ("reference-slow", 5.0, 1 / 0.92), ("reference-low", 3.9, 1.0)],
)
def test_the_reference_output_can_be_wrong(bench: str, amplitude: float, period_ms: float | None) -> None:
    """Both probes hang on it; good is 1 kHz and 5 V (common practice, no source)."""
    desk = Desk(bench=bench)
    desk.tell(
        VERTICAL + ";:SENS1:VOLT:RANG:PTP 10.24;OFFS 1.65;:SENS:SWE:TINT 1E-6;POIN 8000;:TRIG:SOUR IMM;:INIT"
    )
    desk.ask("*WAI")
    volts = desk.codes().astype(np.float64) * 0.04 + 1.65
    assert float(np.median(volts[volts > np.median(volts)]) - volts.min()) == pytest.approx(
        amplitude, abs=0.3
    )
    rises = np.flatnonzero((volts[:-1] < 2) & (volts[1:] >= 2))
    assert (
        len(rises) == 0
        if period_ms is None
        else np.mean(np.diff(rises)) == pytest.approx(1000 * period_ms, rel=1e-3)
    )


def test_a_stuck_range_clips() -> None:
    """The window stays at 2 V: codes at both ends."""
    codes = np.rint((record("range-stuck") - 1.65) / 2 * 256)
    assert codes.max() == 127
    assert codes.min() == -128


def test_a_dead_link_moves_nothing_and_a_lossy_one_loses_the_second_of_five() -> None:
    """The adapter takes the bytes in both cases."""
    desk = Desk(bench="link-dead")
    assert desk.send(TEXT) == b""
    assert len(desk.network.to_target.piece(0.0, 100.0)) == 0
    assert Desk(bench="stimulus-differs").send(b"abcdefg") == b"acdef"


def test_a_slow_sampler_and_a_small_memory_refuse_more() -> None:
    """-222 with the limit in it."""
    desk = Desk(bench="slow-sampler")
    assert float(desk.ask("SENS:SWE:TINT? MIN")) == 2e-6
    assert desk.error("SENS:SWE:TINT 1E-6") == -222


def test_another_scope_has_another_identity_and_a_sick_one_says_so() -> None:
    """other-scope, hardware-error."""
    assert Desk(bench="other-scope").ask("*IDN?") != Desk().ask("*IDN?")
    desk = Desk(bench="hardware-error")
    desk.ask("*CLS;:INIT;*WAI")
    assert desk.ask("SYST:ERR:CODE?") == "-240"


@pytest.mark.parametrize("rows", [FIRMWARES, BENCHES])
def test_rows_are_well_formed(rows: tuple[Kind, ...]) -> None:
    """Names are unique and plain, each has one line about it; the first is the good one with no finding."""
    names = [row.name for row in rows]
    assert len(set(names)) == len(names)
    assert rows[0].name == "good"
    assert rows[0].finding is None
    for row in rows:
        assert re.fullmatch(r"[a-z0-9-]+", row.name)
        assert row.about
        assert "\n" not in row.about


def test_an_unknown_kind_is_refused_with_the_names_that_there_are() -> None:
    """KeyError, not a default."""
    with pytest.raises(KeyError, match="drops-one"):
        kind(FIRMWARES, "nonsense")


def test_every_kind_can_be_set_up_and_answers() -> None:
    """All rows: the scope identifies itself, a text can be sent."""
    for row in FIRMWARES:
        Desk(bench_plan(firmware=row.name, frame=Frame.parse(row.frame or "8N1"))).send(TEXT)
    for row in BENCHES:
        desk = Desk(bench_plan(bench=row.name))
        desk.send(TEXT)
        assert desk.ask("*IDN?")


def test_the_simulator_imports_nothing_of_ours() -> None:
    """An honest other side: numpy, the standard library and itself."""
    folder = Path(__file__).parents[2] / "simulator"
    for file in folder.rglob("*.py"):
        for module in re.findall(
            r"^\s*(?:from|import) ([a-z_]+)", file.read_text(encoding="utf-8"), re.MULTILINE
        ):
            assert module not in ("service", "drivers", "serial", "pyvisa", "tests"), (
                f"{file} imports {module}"
            )
