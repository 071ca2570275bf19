"""Commissioning against the simulated bench and against a scope of an invented vocabulary: what works is said
to work, each kind of mistake in a dialect is found in its line, and nothing else is ever sent."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import NotReachable, RequestError
from drivers.scope.dialect_reader import load_dialect
from service.commissioning.commission import Commissioned, Wishes, commission
from service.commissioning.outcome import DIFFERS, FAILS, NOT_TRIED, WORKS, LineResult
from service.commissioning.signal_lines import Reference, Traffic
from service.commissioning.table import table
from simulator.bench import Bench, open_benches
from simulator.scope.instrument import Conversation as SimulatedConversation
from tests.drivers.lantern import Lantern
from tests.drivers.servers import Act, line_server, say
from tests.service.commissioning.spoken import strangers

LANTERN = Path(__file__).parents[2] / "drivers" / "lantern.toml"


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=31) as (one,):
        yield one


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every message that reaches a simulated scope."""
    messages: list[str] = []
    execute = SimulatedConversation.execute

    def listening(self: SimulatedConversation, message: bytes) -> bytes:
        messages.append(message.decode("ascii").strip())
        return execute(self, message)

    monkeypatch.setattr(SimulatedConversation, "execute", listening)
    return messages


def on_lantern(
    tmp_path: Path, *edits: tuple[str, str], lantern: Callable[[str], Act | None] | None = None
) -> Commissioned:
    """Commission the invented scope with its dialect after these edits of the file's text."""
    text = LANTERN.read_text(encoding="utf-8").replace("settle_s = 0.25", "settle_s = 0.001")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with line_server(lantern or Lantern()) as server:
        return commission(Wishes(server.socket_address, str(path), timeout_s=0.25, skip=("transfer",)))


def on_bench(bench: Bench, dialect: str = "scpi-1999", way: str = "socket", **wishes: Any) -> Commissioned:
    usual: dict[str, Any] = {"traffic": Traffic(bench.addresses.serial, 230_400), "skip": ("transfer",)}
    return commission(Wishes(getattr(bench.addresses, way), dialect, **{**usual, **wishes}))


def cousin(tmp_path: Path, text: str) -> str:
    """A dialect that differs from the standard one by `text`."""
    path = tmp_path / "cousin.toml"
    path.write_text(f'schema = 1\nname = "cousin"\nbased_on = "scpi-1999"\n{text}', encoding="utf-8")
    return str(path)


def line(done: Commissioned, name: str) -> LineResult:
    return next(result for result in done.lines if result.line == name)


def flawed(done: Commissioned) -> dict[str, str]:
    return {r.line: r.outcome for r in done.lines if r.outcome in (DIFFERS, FAILS)}


# --- what works -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", ["socket", "hislip"])
def test_the_standard_dialect_works_line_by_line_and_nothing_else_is_sent(
    bench: Bench, heard: list[str], way: str
) -> None:
    """Set, read back, shot, known traffic, speed; every unit that arrived stands in the dialect."""
    done = on_bench(bench, way=way, skip=())
    assert flawed(done) == {}
    assert done.outcome == WORKS
    assert done.options == "0"
    assert {"traffic rate", "traffic trigger place", "traffic characters", "transfer"} <= {
        r.line for r in done.lines if r.outcome == WORKS
    }
    assert done.timings["set_up_round_trips"] < 10
    assert done.timings["points"] >= 1000
    assert len(heard) > 100
    assert strangers(load_dialect("scpi-1999"), heard) == []


def test_the_scope_is_left_as_it_was_found_even_after_its_reset(bench: Bench) -> None:
    """Commissioning a bench in the middle of term costs nobody their settings."""
    first = bench.scope.settings.channels[0]
    first.input_window_v, first.input_centre_v, first.coupling = 2.0, 0.25, "AC"
    bench.scope.settings.sweep.interval_s, bench.scope.settings.sweep.points = 3e-6, 777
    bench.scope.settings.trigger.source, bench.scope.settings.trigger.continuous = "EXT", True
    before = repr((bench.scope.settings.channels, bench.scope.settings.sweep, bench.scope.settings.trigger))
    done = on_bench(bench, traffic=None)
    after = bench.scope.settings
    assert line(done, "reset").outcome == WORKS
    assert line(done, "left as found").outcome == WORKS
    assert repr((after.channels, after.sweep, after.trigger)) == before


def test_a_power_on_note_that_stays_fails_in_its_line(bench: Bench, tmp_path: Path) -> None:
    """Else every run would say that the scope was switched on; a note that goes is told as what it says."""
    told = []
    for text in ("", '[event_status]\nquery = "*OPC?"\nbit = 0\n'):
        told.append(line(on_bench(bench, cousin(tmp_path, text), traffic=None), "event_status"))
    assert told[0].outcome == WORKS
    assert "switched on since it was asked last" in told[0].says
    assert told[1].outcome == FAILS
    assert "answers 1: bit 0 is set still" in told[1].says


def test_what_a_foreign_scope_makes_of_settings_is_told_as_a_difference(tmp_path: Path) -> None:
    """It works, and the dialect could say more: its limits, the steps of its offset."""
    lantern = Lantern()
    done = on_lantern(tmp_path, lantern=lantern)
    assert flawed(done) == {"sweep.interval": DIFFERS}
    assert "13 SPEED CANNOT BE 200" in line(done, "sweep.interval").says
    assert "chA offset_v 1.65 became 1.64" in line(done, "whole set-up").says
    assert line(done, "self_test").outcome == NOT_TRIED
    assert line(done, "record scale").outcome == WORKS
    assert line(done, "record time base").outcome == WORKS
    assert strangers(load_dialect(LANTERN), lantern.heard) == []


def test_the_check_for_strangers_can_fail() -> None:
    """A command that is not in the file, one in a message with others, and a value too many are seen."""
    dialect = load_dialect("scpi-1999")
    heard = ["INP1:COUP DC;*RCL 1", "SYST:ERR?", "INP3:COUP DC", "*RST 1", ":SENS:SWE:POIN 5"]
    assert strangers(dialect, heard) == ["*RCL 1", "INP3:COUP DC", "*RST 1"]


# --- mistakes in a dialect, each found in its line --------------------------------------------------------

MISTAKES = {
    "a word that the scope does not know": (
        ('"DEPTH?"', '"DEEPTH?"'),
        "sweep.points",
        "NO SUCH WORD DEEPTH?",
    ),
    "volts instead of millivolts": (
        ('unit = "mV"\nnumber', 'unit = "V"\nnumber'),
        "channel.range chA",
        "SENSE CANNOT",
    ),
    "the wrong item of a reply": (("reply = {item = 2}", "reply = {item = 1}"), "sweep.interval", "'AUTO'"),
    "a query of another setting": (
        ('query = "LIFT? {lead}"', 'query = "TIP? {lead}"'),
        "channel.offset chA",
        "whatever",
    ),
    "the place in another unit": (
        ('means = "middle"\nunit = "ns"', 'means = "middle"\nunit = "us"'),
        "record trigger place",
        "",
    ),
    "the scale in another unit": (
        ("volts_per_code uV", "volts_per_code mV"),
        "record scale",
        "compare the terms",
    ),
    "the interval in another unit": (("sample_interval ns", "sample_interval us"), "record time base", ""),
    "no reference code": (("code_reference", "-"), "record scale", "compare the terms"),
    "codes at the wrong end of the word": (
        ("left_justified = true", "left_justified = false"),
        "record codes",
        "outside",
    ),
    "done taken for armed": (
        (
            'yes = ["FULL"]\nno = ["WATCHING", "FILLING", "ASLEEP"]',
            'yes = ["FULL", "WATCHING"]\nno = ["FILLING", "ASLEEP"]',
        ),
        "done, while armed",
        "compare [done]",
    ),
    "a stop that stops nothing": (
        ('[abort]\nwrite = "HALT"', '[abort]\nwrite = "HUSH"'),
        "abort",
        "DOING",
    ),
    "a state that the dialect does not know": (
        ('"FILLING", "ASLEEP"]\n\n[done]', '"ASLEEP"]\n\n[done]'),
        "arm",
        "FILLING",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_in_a_dialect_fails_in_its_line_with_the_exact_exchange(
    tmp_path: Path, mistake: str
) -> None:
    """The person looks at one line of the file and at what was said and answered there."""
    edit, name, words = MISTAKES[mistake]
    done = on_lantern(tmp_path, edit)
    result = line(done, name)
    assert result.outcome == FAILS
    assert words in result.says
    assert done.outcome == FAILS
    assert not done.lost
    assert result.exchanges
    assert f"{name} (fails)" in table(done)


def test_an_answer_with_words_and_a_unit_is_told_with_the_words_that_read_it(tmp_path: Path) -> None:
    """What to write stands in the line; and what was not understood is not sent back as a setting."""
    lantern = Lantern()
    done = on_lantern(tmp_path, ('reply = {header = true, suffix = "MV"}\n', ""), lantern=lantern)
    says = line(done, "channel.range chA").says
    assert 'reply = {header = true, suffix = "MV"} in the dialect' in says
    assert "range: " in line(done, "whole set-up").says, "the setting is named where many are read"
    assert "not written back" in line(done, "left as found").says
    assert [heard for heard in lantern.heard if "SENSE red SENSE" in heard] == []


def test_a_scope_that_answers_in_another_unit_is_told_the_factor(tmp_path: Path) -> None:
    """Set in millivolts and read back in volts: a thousandth of everything, not a coarse step."""
    lantern = Lantern()

    def play(text: str) -> Act | None:
        return say(f"{float(lantern.hunt['AT']) / 1000:g}") if text == "HUNT AT?" else lantern(text)

    result = line(on_lantern(tmp_path, lantern=play), "trigger.level")
    assert result.outcome == FAILS
    assert "reads back 0.001 times what is set" in result.says


def test_a_force_that_forces_nothing_is_told_in_time(bench: Bench, tmp_path: Path) -> None:
    """The shot is given up and stopped; the person is sent to [done] and [force]."""
    dialect = cousin(tmp_path, '[force]\nwrite = "*CLS"\n')
    result = line(on_bench(bench, dialect, traffic=None, timeout_s=0.1), "force and done")
    assert result.outcome == FAILS
    assert "not done within 0.5" in result.says
    assert not bench.scope.acquisition.busy


TRAFFIC_MISTAKES = {
    "slopes exchanged": (
        '[trigger.slope]\nwrite = "TRIG:SLOP {value}"\nquery = "TRIG:SLOP?"\n'
        'words = {rising = "NEG", falling = "POS"}\n',
        "traffic trigger place",
        "[trigger.slope]",
    ),
    "twice the interval": (
        '[sweep.interval]\nwrite = "SENS:SWE:TINT {value}"\nquery = "SENS:SWE:TINT?"\nfactor = 2\n',
        "traffic rate",
        "times as fast",
    ),
    "the place from the other end": (
        '[sweep.place]\nwrite = "SENS:SWE:OREF:LOC {value}"\nquery = "SENS:SWE:OREF:LOC?"\n'
        'means = "part-before"\nfactor = 0.5\n',
        "traffic trigger place",
        "[sweep.place]",
    ),
    "half the codes": (
        '[fetch]\nbefore = "FORM:DATA INT,8"\nquery = "FETC:VOLT? (@{channel})"\n[fetch.terms]\n'
        'window = {setting = "range"}\ncodes_per_window = 128\nvolts_at_reference = {setting = "offset"}\n',
        "volts in two windows",
        "terms of the conversion",
    ),
}


@pytest.mark.parametrize("mistake", TRAFFIC_MISTAKES)
def test_mistakes_that_read_back_right_are_found_by_a_known_signal(
    bench: Bench, tmp_path: Path, mistake: str
) -> None:
    """A wrong unit in both directions cancels out in every read-back: only the signal knows."""
    text, name, words = TRAFFIC_MISTAKES[mistake]
    result = line(on_bench(bench, cousin(tmp_path, text)), name)
    assert result.outcome == FAILS
    assert words in result.says


def test_a_probe_that_is_switched_otherwise_is_told_by_the_levels() -> None:
    """The dialect is right and the bench is not: 33 V of logic swing."""
    with open_benches(seed=3, bench="both-ratios-off") as (bench,):
        result = line(on_bench(bench), "traffic levels")
    assert result.outcome == DIFFERS
    assert "probe's switch" in result.says


def test_a_link_at_another_rate_is_told(bench: Bench) -> None:
    """Simulated lines follow the rate of the bench, the link says another: a ratio, not a riddle."""
    result = line(on_bench(bench, traffic=Traffic(bench.addresses.serial, 115_200)), "traffic rate")
    assert result.outcome == FAILS
    assert "2 times as fast" in result.says or "1.99" in result.says or "2.00" in result.says


@pytest.mark.parametrize(
    ("kind", "hertz", "volts", "rate", "levels"),
    [
        ("reference-slow", 920.0, 5.0, WORKS, WORKS),
        ("reference-slow", 1000.0, 5.0, DIFFERS, WORKS),
        ("reference-slow", 9200.0, None, FAILS, None),
        ("reference-low", 1000.0, 3.9, WORKS, WORKS),
        ("reference-low", 1000.0, 5.0, WORKS, FAILS),
    ],
)
def test_a_reference_square_wave_proves_rate_and_height(
    kind: str, hertz: float, volts: float | None, rate: str, levels: str | None
) -> None:
    """With both tips on the scope's own reference terminal."""
    with open_benches(seed=3, bench=kind) as (bench,):
        done = on_bench(bench, traffic=None, reference=Reference(hertz, volts))
    outcomes = {r.line: r.outcome for r in done.lines}
    assert outcomes.get("reference rate", FAILS) == rate
    assert outcomes.get("reference levels") == levels
    if rate == WORKS:
        assert outcomes["reference trigger place"] == WORKS


# --- scopes that are hard to reach ------------------------------------------------------------------------


def test_a_name_that_is_asked_wrongly_gets_a_hint(tmp_path: Path) -> None:
    """Nothing was ever answered: that may be the wrong port, or the wrong question."""
    with pytest.raises(NotReachable, match=r"is 'WHOO' what this scope is asked for its name\?"):
        on_lantern(tmp_path, ('query = "WHO"', 'query = "WHOO"'))


def test_an_error_queue_that_is_asked_wrongly_is_a_failing_line(tmp_path: Path) -> None:
    """It said who it is, so it is there; all else needs the error queue and is not tried."""
    done = on_lantern(tmp_path, ('query = "TROUBLE"', 'query = "TROUBBLE"'))
    assert [(r.line, r.outcome) for r in done.lines] == [("errors", FAILS)]
    assert done.lines[0].exchanges[-1].sent == ("TROUBBLE",)
    assert done.identity is None


def test_an_identity_that_makes_no_sense_is_a_failing_line(tmp_path: Path) -> None:
    """The scope is there and says something else than four fields."""
    done = on_lantern(tmp_path, lantern=lambda _line: say("GOOD MORNING"))
    assert [(r.line, r.outcome) for r in done.lines] == [("identify", FAILS)]
    assert "GOOD MORNING" in done.lines[0].says


def test_a_scope_that_hangs_up_over_one_line_is_asked_the_others(tmp_path: Path) -> None:
    """Some end the connection over what they do not know."""
    lantern = Lantern()

    def play(text: str) -> Act | None:
        return Act(then_reset=True) if text == "MIDDLE?" else lantern(text)

    done = on_lantern(tmp_path, lantern=play)
    assert line(done, "sweep.place").outcome == FAILS
    assert line(done, "trigger.level").outcome == WORKS
    assert not done.lost


def test_a_scope_that_is_switched_off_in_the_middle_ends_the_table_there(tmp_path: Path) -> None:
    """What was proved so far is told, and why it ended."""
    lantern, gone = Lantern(), [False]

    def play(text: str) -> Act | None:
        gone[0] = gone[0] or text == "MIDDLE?"
        return Act(then_reset=True) if gone[0] else lantern(text)

    lantern("MIDDLE?")
    first = [True]

    def only_later(text: str) -> Act | None:
        if text == "MIDDLE?" and first:
            first.clear()  # asked when it was found: still there
            return lantern(text)
        return play(text)

    done = on_lantern(tmp_path, lantern=only_later)
    assert done.lost
    assert done.lines[-1].line == "sweep.place"
    assert done.lines[-1].outcome == FAILS
    assert line(done, "sweep.points").outcome == WORKS
    assert "It ended here" in table(done)


def test_nothing_at_the_address_is_an_error_not_a_table() -> None:
    """And so is a dialect with a typo; nothing was proved by either."""
    with pytest.raises(NotReachable, match="refused"):
        commission(Wishes("TCPIP::127.0.0.1::1::SOCKET", "scpi-1999", timeout_s=0.3))
    with pytest.raises(RequestError, match="did you mean 'scpi-1999'"):
        commission(Wishes("TCPIP::127.0.0.1::1::SOCKET", "scpi-1998"))


def test_lines_can_be_left_out_and_are_counted_as_not_tried(bench: Bench, heard: list[str]) -> None:
    """A self-test that needs the probes off, a reset that nobody wants: by table or by line."""
    done = on_bench(bench, traffic=None, skip=("self_test", "reset", "transfer", "trigger"))
    assert {line(done, name).outcome for name in ("self_test", "reset", "trigger.level")} == {NOT_TRIED}
    assert not {"*RST", "*TST?"} & set(heard)
    assert done.outcome == WORKS


def test_a_dialect_without_force_needs_a_signal(bench: Bench, tmp_path: Path) -> None:
    """Then the known traffic brings the record whose lengths and scale are compared."""
    dialect = cousin(tmp_path, 'without = ["force"]\n')
    quiet = on_bench(bench, dialect, traffic=None)
    assert line(quiet, "force and done").outcome == NOT_TRIED
    done = on_bench(bench, dialect)
    assert line(done, "record length").outcome == WORKS
    assert line(done, "traffic rate").outcome == WORKS
