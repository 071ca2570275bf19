"""A scope with a vocabulary of its own, driven by a dialect file alone, over a real socket."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import drivers
from drivers.errors import IdentityError, InstrumentError, ReplyError, RequestError, TimedOut
from drivers.link import VisaLink
from drivers.scope.conversation import Conversation
from drivers.scope.dialect_reader import load_dialect
from drivers.scope.scope import Scope
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from tests.drivers.lantern import EDGE_S, Lantern
from tests.drivers.servers import Act, line_server, say

DIALECT = Path(__file__).parents[1] / "lantern.toml"
SETUP = ScopeSetup(
    channels={"A": ChannelSetup(range_v=6.0, offset_v=1.65), "B": ChannelSetup(range_v=6.0, offset_v=1.65)},
    sample_interval_s=1.5e-8,
    points=1000,
    trigger_position=0.25,
    trigger=TriggerSetup("A", 1.6, "rising"),
)


@contextlib.contextmanager
def opened(
    lantern: Lantern | None = None, expected_idn: str | None = None
) -> Iterator[tuple[Scope, Lantern]]:
    instrument = lantern or Lantern()
    with (
        line_server(instrument) as server,
        drivers.open_scope(server.socket_address, DIALECT, timeout_s=0.5, expected_idn=expected_idn) as scope,
    ):
        yield scope, instrument


def test_it_is_identified_and_stopped_at_the_first_contact() -> None:
    """Somebody may have left it armed."""
    lantern = Lantern()
    lantern.doing = "WATCHING"
    lantern.trouble.append('3,"LEFT OVER"')
    with opened(lantern) as (scope, _):
        assert scope.identity.model == "LQ-4"
        assert lantern.doing == "ASLEEP"
        assert scope.errors() == ()


def test_a_shot_comes_out_in_volts_and_seconds_at_the_probe_tip() -> None:
    """Divisions, steps, millivolts at the input, nanoseconds, left-justified words and windows cancel out."""
    with opened() as (scope, _):
        state = scope.set_up(SETUP)
        scope.arm()
        assert scope.wait(5.0)
        capture = scope.fetch()
    assert state.channels["A"].range_v == pytest.approx(8.0)  # 750 mV a division do not exist, 1 V does
    assert state.sample_interval_s == pytest.approx(2e-8)  # 2 us a division, 10 divisions, 1000 points
    assert capture.sample_interval_s == pytest.approx(2e-8)
    assert capture.start_s == pytest.approx(-0.25 * 999 * 2e-8, abs=1e-10)
    record = capture.channel("A")
    volts = record.codes * record.volts_per_code + record.volts_at_code_zero
    times = capture.start_s + np.arange(len(volts)) * capture.sample_interval_s
    assert len(volts) == 1000
    assert volts[times < EDGE_S - 1e-8] == pytest.approx(0.0, abs=8 / 4096)
    assert volts[times > EDGE_S + 1e-8] == pytest.approx(3.3, abs=8 / 4096)
    assert record.codes.dtype == np.uint16
    assert (record.code_min, record.code_max) == (0, 65520)


def test_what_the_scope_made_of_the_settings_is_told() -> None:
    """The differences are listed, the state holds what is true."""
    with opened() as (scope, lantern):
        state = scope.set_up(SETUP)
        assert [(d.setting, d.asked, d.got) for d in state.differences] == [
            ("chA range_v", 6.0, 8.0),
            ("chA offset_v", 1.65, pytest.approx(1.64)),  # it moves in 1/50 of a division
            ("chB range_v", 6.0, 8.0),
            ("chB offset_v", 1.65, pytest.approx(1.64)),
            ("sample_interval_s", 1.5e-8, pytest.approx(2e-8)),
        ]
        assert state.trigger_level_v == pytest.approx(1.6)
        assert lantern.hunt["AT"] == "160"  # at the input behind a 10x probe
        assert lantern.shown == {"A": "Y", "B": "Y"}


def test_a_channel_that_is_not_wanted_is_switched_off() -> None:
    """And is not fetched."""
    with opened() as (scope, lantern):
        setup = ScopeSetup({"B": SETUP.channels["B"]}, 2e-8, 1000, 0.0, TriggerSetup("B", 1.6, "rising"))
        state = scope.set_up(setup)
        assert lantern.shown == {"A": "N", "B": "Y"}
        assert list(state.channels) == ["B"]
        scope.arm()
        scope.force()
        assert scope.wait(5.0)
        capture = scope.fetch()
    assert [record.name for record in capture.channels] == ["B"]
    assert capture.start_s == pytest.approx(0.0, abs=1e-12)
    assert not capture.trigger.fired


def test_arming_waits_until_the_scope_is_ready_for_its_trigger() -> None:
    """A character that is sent while the part before the trigger fills would be lost."""
    with opened() as (scope, lantern):
        scope.set_up(SETUP)
        scope.arm()
        assert lantern.doing == "WATCHING"


def test_settings_that_need_time_are_given_it() -> None:
    """`settle_s` of a setting is waited for before the scope is asked anything."""
    pauses: list[float] = []
    lantern = Lantern()
    dialect = load_dialect(DIALECT)
    with line_server(lantern) as server:
        talk = Conversation(dialect, pause=pauses.append)
        talk.link = VisaLink(server.socket_address, timeout_s=0.5, greet=talk.greet)
        with Scope(dialect, talk) as scope:
            scope.set_up(SETUP)
    assert pauses == [0.25]


def test_the_scopes_own_complaint_is_the_error() -> None:
    """Its number and its words travel with the error."""
    with opened() as (scope, _):
        setup = ScopeSetup(
            {"A": ChannelSetup(range_v=80.0)}, 2e-8, 1000, 0.0, TriggerSetup("A", 1.6, "rising")
        )
        with pytest.raises(InstrumentError, match="SENSE CANNOT BE 10000") as caught:
            scope.set_up(setup)
        assert caught.value.entries == ((12, "SENSE CANNOT BE 10000"),)
        assert scope.errors() == ()


def test_a_state_word_that_the_dialect_does_not_know_is_told() -> None:
    """Taking it for "not yet" would wait for ever."""
    with opened() as (scope, lantern):
        scope.set_up(SETUP)
        lantern.go([])
        lantern.polls_to_go, lantern.doing = 0, "DREAMING"
        with pytest.raises(InstrumentError, match="DREAMING"):
            scope.is_done()


def test_a_scope_that_never_gets_ready_is_a_time_out_and_is_stopped() -> None:
    """On the way out it is not left armed."""
    now = [0.0]

    def pause(seconds: float) -> None:
        now[0] += seconds

    lantern = Lantern()
    dialect = load_dialect(DIALECT)
    with line_server(lantern) as server:
        talk = Conversation(dialect, pause=pause)
        talk.link = VisaLink(server.socket_address, timeout_s=0.5, greet=talk.greet)
        with Scope(dialect, talk, pause=pause, clock=lambda: now[0]) as scope:
            scope.set_up(SETUP)
            lantern.stays_asleep = True
            with pytest.raises(TimedOut, match="not ready"):
                scope.arm()
        assert lantern.heard[-2:] == ["HALT", "TROUBLE"]


def test_a_changed_setting_spoils_the_record() -> None:
    """Somebody turned a knob between arming and fetching: volts would be wrong and nobody would know."""
    with opened() as (scope, lantern):
        scope.set_up(SETUP)
        scope.arm()
        assert scope.wait(5.0)
        lantern.sense_mv["red"] = 500
        with pytest.raises(InstrumentError, match=r"chA range_v was 8\.0 and is 4\.0"):
            scope.fetch()


def test_only_what_the_dialect_holds_is_ever_said() -> None:
    """Every line that reached the instrument comes from the file."""
    with opened() as (scope, lantern):
        scope.set_up(SETUP)
        scope.arm()
        assert scope.wait(5.0)
        scope.fetch()
        said = set(lantern.heard)
    text = DIALECT.read_text(encoding="utf-8")
    assert {line.split()[0] for line in said} <= set(text.replace('"', " ").split())


def test_a_wrong_query_in_the_dialect_is_told_as_what_the_scope_says_of_it(tmp_path: Path) -> None:
    """Not as a mere time-out: its error queue knows better."""
    path = tmp_path / "wrong.toml"
    path.write_text(DIALECT.read_text(encoding="utf-8").replace('"DEPTH?"', '"DEEPTH?"'), encoding="utf-8")
    with (
        line_server(Lantern()) as server,
        drivers.open_scope(server.socket_address, path, timeout_s=0.3) as scope,
        pytest.raises(InstrumentError, match=r"refuses 'DEEPTH\?': 7 NO SUCH WORD DEEPTH\?"),
    ):
        scope.set_up(SETUP)


def test_nothing_can_be_armed_or_fetched_out_of_order() -> None:
    """Our own mistakes are told as such."""
    with opened() as (scope, lantern):
        with pytest.raises(RequestError, match="set up before"):
            scope.arm()
        with pytest.raises(RequestError, match="no complete record"):
            scope.fetch()
        scope.set_up(SETUP)
        lantern.polls_to_go = 0
        with pytest.raises(RequestError, match="no complete record"):
            scope.fetch()
        with pytest.raises(RequestError, match="no channel 'C'; it knows A, B"):
            scope.set_up(ScopeSetup({"C": ChannelSetup(1.0)}, 1e-6, 1000, 0.0, TriggerSetup("C", 1.0)))
        with pytest.raises(RequestError, match="always DC"):
            scope.set_up(
                ScopeSetup({"A": ChannelSetup(1.0, coupling="AC")}, 1e-6, 1000, 0.0, TriggerSetup("A", 1.0))
            )


@pytest.mark.parametrize(
    ("expected", "right"),
    [
        ("LANTERN QUAY,LQ-4,0042,2.1", True),
        (",,0042,", True),
        ("LANTERN QUAY", True),
        (",,0043,", False),
        ("LANTERN QUAY,LQ-4,0042,2.2", False),
    ],
)
def test_the_expected_instrument_must_answer(expected: str, right: bool) -> None:
    """A station that was re-cabled overnight must not be judged with another scope."""
    if right:
        with opened(expected_idn=expected) as (scope, _):
            assert scope.identity.serial == "0042"
    else:
        with pytest.raises(IdentityError, match="0042"), opened(expected_idn=expected):
            pass


def test_another_instrument_after_a_lost_connection_is_an_identity_error() -> None:
    """The address was taken over by another one in the middle of a run."""
    lantern = Lantern()
    answers = {"WHO": "LANTERN QUAY,LQ-4,0042,2.1"}

    def play(line: str) -> Act | None:
        return say(answers["WHO"]) if line == "WHO" else lantern(line)

    with (
        line_server(play) as server,
        drivers.open_scope(server.socket_address, DIALECT, timeout_s=0.5) as scope,
    ):
        scope.set_up(SETUP)
        answers["WHO"] = "LANTERN QUAY,LQ-4,0099,2.1"
        scope._talk.link.distrust()
        with pytest.raises(IdentityError, match="0099"):
            scope.is_done()


def test_a_reply_that_makes_no_sense_is_an_error_and_the_next_one_is_asked_anew() -> None:
    """After nonsense the session is not trusted any more."""
    lantern = Lantern()
    nonsense = {"DEPTH?": "many"}

    def play(line: str) -> Act | None:
        return say(nonsense[line]) if line in nonsense else lantern(line)

    with (
        line_server(play) as server,
        drivers.open_scope(server.socket_address, DIALECT, timeout_s=0.5) as scope,
    ):
        with pytest.raises(ReplyError, match="'many' is not a number"):
            scope.set_up(SETUP)
        before = server.connections
        nonsense.clear()
        assert scope.set_up(SETUP).points == 1000
        assert server.connections == before + 1
