"""Each mistake in a dialect is found in its line, with the exact exchange and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.errors import NotReachable
from service.commissioning.outcome import FAILS
from service.commissioning.table import table
from simulator.bench import Bench
from tests.drivers.lantern import Lantern
from tests.drivers.servers import Act, say
from tests.service.commissioning.walks import cousin, line, on_bench, on_lantern

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
    "no reference code": (("code_reference", "-"), "record scale", "code_reference in [fetch.terms]"),
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
