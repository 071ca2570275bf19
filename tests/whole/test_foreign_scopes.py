"""Scopes of invented makers: what is known of each is its manual, what drives it is one TOML file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.commissioning.commission import Wishes, commission
from service.commissioning.outcome import DIFFERS, FAILS
from service.commissioning.signal_lines import Traffic
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from simulator.faults import BENCHES, FIRMWARES, Kind
from simulator.scope.commands import COMMANDS
from simulator.scope.makers import MAKERS, maker_of
from simulator.scope.vocabulary import Vocabulary
from tests.simulator.clients import Raw
from tests.whole.benches import (
    DIALECTS,
    FOREIGN,
    MANUALS,
    TEXT,
    codes,
    echo_document,
    one_bench,
    station_of,
    verdicts,
)
from tests.whole.test_every_kind import TEXTS

SOME_FIRMWARES = ("drops-one",)
SOME_BENCHES = ("probe-ratio-off", "range-stuck")
TRANSPORTS = ("socket", "hislip")
GREETINGS = {"standard": "*IDN?", "curlew": "HAIL", "gannet": "who?"}


def kinds(rows: tuple[Kind, ...], some: tuple[str, ...]) -> list[object]:
    """All of them; those that are not among `some` only in the long run."""
    return [
        pytest.param(row, id=row.name, marks=() if row.name in some else pytest.mark.soak)
        for row in rows
        if row.seen_by == "echo"
    ]


@pytest.mark.parametrize("transport", TRANSPORTS)
@pytest.mark.parametrize("scope", FOREIGN)
def test_an_echo_test_passes_on_a_scope_of_which_only_a_manual_was_there(scope: str, transport: str) -> None:
    """The same text, the same verdict, the rate within 50 ppm of what the simulated clocks must show."""
    with one_bench(scope=scope, seed=11) as bench:
        document = run_echo_test(station_of(bench, transport), TEXT, RunHooks())
        plan = bench.plan
    assert document["verdict"] == "pass"
    assert codes(document) == []
    assert bytes(c["value"] for c in document["lines"]["from_target"]["characters"]) == TEXT
    seen = plan.target.end.baud * (1 + 1e-6 * (plan.target.end.clock_ppm - plan.scope.clock_ppm))
    assert abs(document["lines"]["from_target"]["baud"]["value"] / seen - 1) < 50e-6
    assert document["lines"]["to_target"]["channel"] == maker_of(scope).channels[0]


@pytest.mark.parametrize("scope", FOREIGN)
def test_each_line_of_its_dialect_is_proved_by_commissioning(scope: str) -> None:
    """No line fails, none differs from what the dialect says of it; the time base is proved by characters."""
    with one_bench(scope=scope, seed=11) as bench:
        station = station_of(bench)
        proved = commission(
            Wishes(
                station.scope,
                station.dialect,
                traffic=Traffic(station.serial, 230_400),
                skip=("transfer",),
            )
        )
    outcomes = {line.line: line.outcome for line in proved.lines}
    assert FAILS not in outcomes.values()
    assert DIFFERS not in outcomes.values()
    [set_up] = [line for line in proved.lines if line.line == "whole set-up"]
    if "became" in set_up.says:
        assert "by the scope's own steps" in set_up.says
    assert {"traffic rate", "trigger.level", "fetch"} <= set(outcomes)


MISREAD = {
    "bytes taken for signed": (("signed = false", "signed = true"), "record scale", "signed in [fetch.code]"),
    "no byte for the middle": (
        ("code_reference = 128\n", ""),
        "record scale",
        "code_reference in [fetch.terms]",
    ),
    "the half for the whole": (('means = "half"', 'means = "window"'), "record scale", 'or "half"'),
    "what a probe leaves for its ratio": (
        ('means = "gain"\nunit = "gain"', 'means = "ratio"'),
        "channel.probe chleft",
        '"gain" 0.1',
    ),
    "volts of the connector for the tip's": (
        ('referred = "input"\n', ""),
        "traffic triggers",
        'referred = "input"',
    ),
}
"""What a newcomer reads wrongly in a manual, the line that shows it, and the words that mend it."""


@pytest.mark.parametrize("mistake", MISREAD)
def test_what_is_easily_read_wrongly_in_a_manual_is_told_with_what_mends_it(
    tmp_path: Path, mistake: str
) -> None:
    """Nobody has to know how conversions work: the words to look at stand in the line."""
    (right, wrong), name, words = MISREAD[mistake]
    text = (DIALECTS / "gannet.toml").read_text(encoding="utf-8")
    assert right in text
    (tmp_path / "mine.toml").write_text(text.replace(right, wrong), encoding="utf-8")
    with one_bench(scope="gannet", seed=11) as bench:
        traffic = Traffic(bench.addresses.serial, 230_400) if name.startswith("traffic") else None
        mine = str(tmp_path / "mine.toml")
        proved = commission(Wishes(bench.addresses.hislip, mine, traffic=traffic, skip=("transfer",)))
    [line] = [line for line in proved.lines if line.line == name]
    assert line.outcome in (FAILS, DIFFERS)
    assert words in line.says


def test_a_dialect_that_leaves_out_what_the_scope_rounds_to_passes_as_well(tmp_path: Path) -> None:
    """What the scope made of a setting is read back and counts; that it differs is said by commissioning."""
    text = (DIALECTS / "curlew.toml").read_text(encoding="utf-8").replace('steps = "1-2-5"\n', "")
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with one_bench(scope="curlew", seed=11) as bench:
        station = station_of(bench, dialect=str(tmp_path / "mine.toml"))
        document = run_echo_test(station, TEXT, RunHooks())
        proved = commission(Wishes(station.scope, station.dialect, skip=("transfer",)))
    assert document["verdict"] == "pass"
    said = {line.line: line.says for line in proved.lines if line.outcome == DIFFERS}
    assert "state its steps" in said["channel.range chP"]


@pytest.mark.parametrize("kind", kinds(FIRMWARES, SOME_FIRMWARES))
@pytest.mark.parametrize("scope", FOREIGN)
def test_each_firmware_is_judged_alike_whatever_the_scope(scope: str, kind: Kind) -> None:
    """Its own finding, nothing blamed on the bench."""
    text = TEXTS.get(kind.name, TEXT)
    document = echo_document(text, scope=scope, firmware=kind.name, seed=5, frame=kind.frame or "8N1")
    assert codes(document, "bench") == []
    if kind.finding is None:
        assert document["verdict"] == "pass"
    else:
        assert kind.finding in codes(document, "device")
        assert "fail" in verdicts(document).values()


@pytest.mark.parametrize("kind", kinds(BENCHES, SOME_BENCHES))
@pytest.mark.parametrize("scope", FOREIGN)
def test_each_fault_of_a_bench_is_named_whatever_the_scope(scope: str, kind: Kind) -> None:
    """And never fails the firmware, which is good in all of these."""
    document = echo_document(scope=scope, bench=kind.name, seed=5, frame=kind.frame or "8N1")
    assert codes(document, "device") == []
    assert document["verdict"] != "fail"
    if kind.finding is not None:
        assert kind.finding in [f["code"] for f in document["findings"]]


@pytest.mark.parametrize("scope", FOREIGN)
def test_the_manual_has_every_sentence_that_the_scope_understands(scope: str) -> None:
    """Nobody could write a dialect from less."""
    manual = (MANUALS / f"{scope}.md").read_text(encoding="utf-8")
    for row in vocabulary(scope).rows:
        stem = re.split(r"[ =?]", row.says.replace("{channel}", ""))[0]
        assert stem in manual, row.says


@pytest.mark.parametrize("scope", FOREIGN)
def test_the_dialect_says_nothing_that_the_scope_does_not_understand(scope: str) -> None:
    """Each command of the file is a sentence of its maker's."""
    language = vocabulary(scope)
    text = (DIALECTS / f"{scope}.toml").read_text(encoding="utf-8")
    commands = re.findall(r'(?:write|put_back|\w*query) = "([^"]+)"', text)
    assert len(commands) > 30
    for command in commands:
        for channel in language.channels:
            said = command.replace("{channel}", channel).replace("{first}", "0").replace("{count}", "9")
            spoken = [said.replace("{value}", value) for value in ("1", channel)]
            assert any(pattern.fullmatch(s) for pattern, _ in language.patterns for s in spoken), command


@pytest.mark.parametrize("scope", [maker.name for maker in MAKERS])
def test_faults_of_the_wire_are_switched_on_from_outside_on_every_scope(scope: str) -> None:
    """`--fault` and the simulator's own DIAGnostic words are there whoever made the scope."""
    with one_bench(scope=scope, faults=("garbage:2",)) as bench, Raw(bench.addresses.socket) as raw:
        assert raw.ask(GREETINGS[scope]) != ""
        raw.write('DIAG:FAUL "late",3')
        assert raw.ask("DIAG:FAUL?") == '"garbage,late"'


def test_what_the_second_and_third_scope_say_of_themselves_is_not_the_first() -> None:
    """Three makers, three vocabularies: no sentence of one is understood by another."""
    first, second = (vocabulary(name) for name in FOREIGN)
    assert {row.says for row in first.rows}.isdisjoint(row.says for row in second.rows)
    for language in (first, second):
        spoken = [pattern for pattern, _ in language.patterns]
        standard = [command.pattern for command in COMMANDS]
        assert not any(
            pattern.fullmatch(said + end) for pattern in spoken for said in standard for end in ("", "?")
        )


def vocabulary(scope: str) -> Vocabulary:
    language = maker_of(scope).language
    assert isinstance(language, Vocabulary)
    return language
