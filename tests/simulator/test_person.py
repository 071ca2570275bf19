"""What a person does at the bench, while everything goes on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.bench import open_benches
from simulator.faults import bench_plan
from simulator.person import Person
from simulator.plan import BenchPlan, with_probe
from tests.simulator.desk import VERTICAL, Desk, ideal

SQUARE = (
    ":SENS1:VOLT:RANG:PTP 10.24;OFFS 1.65;:SENS2:VOLT:RANG:PTP 10.24;OFFS 1.65"
    ";:SENS:SWE:TINT {};POIN {};OREF:LOC 0"
)


class Manned(Desk):
    """A desk with somebody at it."""

    def __init__(self, plan: BenchPlan | None = None) -> None:
        super().__init__(plan or ideal())
        self.person = self.scope.person = Person(self.plan, self.scope, self.network)

    def record(self, interval_s: float = 1e-6, points: int = 4000, channel: int = 1) -> NDArray[np.float64]:
        """Volts of a record that begins at once."""
        self.tell(VERTICAL + ";" + SQUARE.format(interval_s, points) + ";:TRIG:SOUR IMM;:INIT")
        self.ask("*WAI")
        return self.seen(channel)

    def seen(self, channel: int = 1) -> NDArray[np.float64]:
        return self.codes(channel).astype(np.float64) * 0.04 + 1.65


def rises(volts: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.flatnonzero((volts[:-1] < 2.5) & (volts[1:] >= 2.5))


def test_a_probe_on_the_reference_terminal_shows_its_square_wave() -> None:
    """About 1 kHz and 0..5 V (common practice, no source); the other channel still shows its line."""
    desk = Manned()
    desk.person.move_probe(1, "reference")
    volts = desk.record()
    assert volts.min() == pytest.approx(0.0, abs=0.03)
    assert volts.max() == pytest.approx(5.0, abs=0.03)
    assert np.diff(rises(volts)).tolist() == [1000] * 3
    assert np.ptp(desk.seen(2)) == 0


@pytest.mark.parametrize("clock_ppm", [-200.0, 0.0, 200.0])
def test_the_reference_terminal_never_shows_the_error_of_the_scopes_clock(clock_ppm: float) -> None:
    """Its own oscillator makes the square wave: 1000.000 us by its own time base, whatever that is worth."""
    plan = ideal()
    desk = Manned(replace(plan, scope=replace(plan.scope, clock_ppm=clock_ppm)))
    desk.person.move_probe(1, "reference")
    volts = desk.record(interval_s=100e-6 / 100, points=100_000)
    places = rises(volts)
    assert places[-1] - places[0] == pytest.approx(1000 * (len(places) - 1), abs=1)


@pytest.mark.parametrize(("trimmer_pf", "percent"), [(15.0, 21.95), (9.0, -23.08), (12.0, 0.0)])
def test_the_first_instant_of_a_step_is_that_of_the_pole_zero_model(
    trimmer_pf: float, percent: float
) -> None:
    """standards.md 6.1: C2 = 108 pF; 15 pF starts 21.95 % above, 9 pF 23.08 % below the final value.

    After half a period the wave is not yet settled: the periodic steady state has the step's size from start
    to start, (1 + e) at once less what is left of the tail before, 1 / (1 + exp(-T / 2 tau)) of it.
    """
    desk = Manned()
    desk.person.move_probe(1, "reference")
    desk.person.turn_trimmer(1, trimmer_pf)
    volts = desk.record()
    rise = int(rises(volts)[1]) + 2
    tau = 0.9e6 * (trimmer_pf + 108) * 1e-12
    left = np.exp(-500e-6 / tau)
    shown = 5.0 * (1 + percent / 100 / (1 + left) * np.exp(-1.5e-6 / tau))
    assert volts[rise] == pytest.approx(shown, abs=0.06)


def test_a_switch_thrown_makes_a_factor_of_ten() -> None:
    """The scope still believes in 10."""
    desk = Manned()
    desk.person.move_probe(2, "reference")
    desk.person.set_switch(2, 1)
    desk.record()
    assert desk.seen(2).max() == pytest.approx(127 * 0.04 + 1.65)  # clipped: 50 V
    desk.tell("SENS2:VOLT:RANG:PTP 102.4;OFFS 16.5;:INIT")
    desk.ask("*WAI")
    assert (desk.codes(2) * 0.4 + 16.5).max() == pytest.approx(50.0, abs=0.5)


def test_a_record_shows_what_was_so_when_each_sample_was_taken() -> None:
    """The probe is moved in the middle of the record, and again before it is asked for."""
    desk = Manned()
    desk.tell(VERTICAL + ";" + SQUARE.format(1e-5, 4000) + ";:TRIG:SOUR IMM;:INIT")
    desk.clock.spend(20e-3)
    desk.person.move_probe(1, "reference")
    desk.ask("*WAI")
    desk.person.move_probe(1, "floating")
    volts = desk.seen()
    assert np.ptp(volts[:1800]) == 0
    assert volts[:1800].mean() == pytest.approx(3.28, abs=0.05)
    assert np.ptp(volts[2300:]) == pytest.approx(5.0, abs=0.1)


def test_a_trigger_sees_the_signal_that_a_person_brings() -> None:
    """It waits on a quiet line; the probe goes to the reference terminal, and it fires."""
    desk = Manned()
    desk.tell(VERTICAL + ";" + SQUARE.format(1e-6, 1000) + ";:TRIG:SOUR INT1;LEV 2.5;SLOP POS;:INIT")
    desk.clock.spend(0.5)
    assert desk.ask("STAT:OPER:COND?") == "40"
    desk.person.move_probe(1, "reference")
    assert [desk.ask("STAT:OPER:COND?") for _ in range(4)][-1] == "0"


def test_a_floating_tip_picks_up_hum() -> None:
    """50 Hz, a tenth of a volt."""
    desk = Manned()
    desk.person.move_probe(1, "floating")
    volts = desk.record(interval_s=20e-6, points=2000)
    assert np.ptp(volts) == pytest.approx(0.24, abs=0.09)
    desk.person.move_probe(1, "to_target")
    assert np.ptp(desk.record(interval_s=20e-6, points=2000)) == 0


def test_a_bump_takes_the_tip_off_for_a_millisecond() -> None:
    """And for no longer."""
    desk = Manned()
    desk.tell(VERTICAL + ";" + SQUARE.format(1e-5, 4000) + ";:TRIG:SOUR IMM;:INIT")
    desk.clock.spend(10e-3)
    desk.person.bump(1)
    desk.ask("*WAI")
    low = np.flatnonzero(desk.seen() < 1.65)
    assert len(low) == pytest.approx(100, abs=2)
    assert np.ptp(low) == len(low) - 1


def test_a_loop_back_brings_back_what_was_sent_without_the_board() -> None:
    """Even a silent board; undone, the board answers again."""
    desk = Manned(bench_plan(firmware="silent"))
    assert desk.send(b"Tide 7") == b""
    desk.person.wire_loopback(True)
    assert desk.send(b"Tide 7") == b"Tide 7"
    desk.person.wire_loopback(False)
    assert desk.send(b"Tide 7") == b""


def test_another_board_answers_in_its_own_way_and_from_its_own_clock() -> None:
    """Kinds of firmware by name; a clock of its own only where it is said."""
    desk = Manned(bench_plan(firmware="changes-case", seed=3))
    ppm = desk.plan.target.end.clock_ppm
    assert desk.send(b"Tide 7") == b"tIDE 7"
    desk.person.swap_board("good")
    assert desk.send(b"Tide 7") == b"Tide 7"
    assert desk.person.plan.target.end.clock_ppm == ppm
    desk.person.swap_board("weak-levels", clock_ppm=33.0)
    desk.send(b"U")
    assert desk.network.from_target.piece(0.0, 100.0).volts[-1] == 1.9
    assert desk.person.plan.target.end.clock_ppm == 33.0
    with pytest.raises(KeyError, match="drops-one"):
        desk.person.swap_board("nonsense")


def test_a_power_cycle_leaves_reset_settings_and_the_power_on_bit() -> None:
    """IEEE 488.2 11.5.1.1: bit 7; no record is left, no error."""
    desk = Manned()
    desk.record()
    desk.ask("*ESR?;*ESE 128")
    desk.ask("NONSENSE")
    desk.person.power_cycle()
    assert desk.ask("SYST:ERR?") == '0,"No error"'
    assert int(desk.ask("*ESR?")) & 128
    assert desk.ask("*ESE?") == "0"
    assert float(desk.ask("SENS:SWE:TINT?")) == 1e-6
    assert desk.error("FETC:VOLT? (@1)") == -230


def test_a_hand_on_the_panel_changes_settings_and_leaves_no_error() -> None:
    """Also while a record is being taken: that is begun anew."""
    desk = Manned()
    desk.tell(VERTICAL + ";:TRIG:SOUR INT1;LEV 1.65;:INIT")
    desk.person.touch_panel("TRIG:LEV -2;:INP2:COUP AC")
    assert float(desk.ask("TRIG:LEV?")) == -2.0
    assert desk.ask("INP2:COUP?") == "AC"
    assert desk.ask("SYST:ERR?") == '0,"No error"'
    desk.clock.spend(0.1)
    assert desk.ask("STAT:OPER:COND?") == "40"


def test_everything_can_be_asked_for_through_the_scopes_port() -> None:
    """DIAGnostic:PERSon, with answers; what cannot be done is -224, without a person -241."""
    desk = Manned()
    desk.tell('DIAG:PERS:PROB2:NODE "reference";SWIT 1;TRIM 11.5;:DIAG:PERS:PROB1:BUMP;BUMP 2 MS')
    assert desk.ask("DIAG:PERS:PROB2:NODE?;SWIT?;TRIM?") == '"reference";1;1.150000000000E+01'
    assert desk.ask("DIAG:PERS:PROB1:NODE?") == '"to_target"'
    desk.tell('DIAG:PERS:LOOP ON;BOAR "silent";BOAR "good",50;PAN "TRIG:LEV 0.7"')
    assert desk.ask("DIAG:PERS:LOOP?;:TRIG:LEV?") == "1;7.000000000000E-01"
    desk.tell("DIAG:PERS:POW:CYCL")
    assert float(desk.ask("TRIG:LEV?")) == 0.0
    for wrong in ('PROB1:NODE "moon"', "PROB1:SWIT 5", 'BOAR "nonsense"', 'PAN "TRIG:SLOP SIDE"'):
        assert desk.error(f"DIAG:PERS:{wrong}") == -224
    assert Desk().error("DIAG:PERS:POW:CYCL") == -241


def test_the_same_hands_at_the_same_times_give_the_same_codes() -> None:
    """Deterministic over the real ports, too."""
    assert _walk_over_ports() == _walk_over_ports()


def _walk_over_ports() -> bytes:
    with open_benches(seed=4) as (bench,):
        desk = _Port(bench.addresses.socket)
        with desk:
            desk.tell(VERTICAL + ";" + SQUARE.format(1e-6, 3000) + ";:TRIG:SOUR INT1;LEV 2.5")
            bench.person.move_probe(1, "reference")
            desk.tell("INIT")
            bench.person.turn_trimmer(1, 13.0)
            return desk.ask("*WAI;:FETC:VOLT? (@1)")


class _Port:
    """A controller of a raw socket."""

    def __init__(self, resource: str) -> None:
        import socket

        _, host, port, _ = resource.split("::")
        self._socket = socket.create_connection((host, int(port)), timeout=20)

    def __enter__(self) -> _Port:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def tell(self, message: str) -> None:
        assert self.ask(message + ";*OPC?") == b"1\n" or message == "INIT"

    def ask(self, message: str) -> bytes:
        self._socket.sendall(message.encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n") or (answer[:1] == b"#" and len(answer) < 3007):
            answer += self._socket.recv(65536)
        return answer


def test_a_bad_contact_loses_the_line_for_a_millisecond_at_random() -> None:
    """Three a second: about 30 in ten seconds, at the same instants whoever looks."""
    plan = with_probe(ideal(), 1, dropouts_per_s=3.0)
    seen = []
    for _ in range(2):
        desk = Manned(plan)
        desk.clock.reach(5.0)
        low = desk.record(interval_s=1e-4, points=100_000) < 1.65
        seen.append(low)
        begins = int(np.count_nonzero(np.diff(low.astype(int)) > 0))
        assert 15 <= begins <= 45
        assert low.sum() == pytest.approx(10 * begins, abs=0.15 * 10 * begins + 10)
    assert seen[0].tolist() == seen[1].tolist()


def test_days_age_what_drifts() -> None:
    """A gain that drifts 0.1 % a week is 1 % off after ten weeks; a good one only plays a little."""
    plan = bench_plan(seed=2)
    inputs = tuple(replace(part, gain_per_week=0.001) for part in plan.scope.inputs)
    drifting = replace(plan, scope=replace(plan.scope, inputs=(inputs[0], plan.scope.inputs[1])))
    desk = Manned(drifting)
    desk.tell("DIAG:PERS:DAYS 70")
    gains = [part.gain_error for part in desk.person.plan.scope.inputs]
    before = [part.gain_error for part in plan.scope.inputs]
    assert gains[0] - before[0] == pytest.approx(0.01, abs=0.001)
    assert abs(gains[1] - before[1]) < 0.001
    assert desk.scope.inputs[0].plan.gain_error == gains[0]
    assert float(desk.ask("DIAG:PERS:DAYS?")) == 70
