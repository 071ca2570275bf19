"""Settings between our words and those of a dialect, both ways. Values worked out by hand beside each row."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import ReplyError, RequestError
from drivers.scope import scpi
from drivers.scope.dialect import Reply, Setting
from drivers.scope.dialect_checks import steps
from drivers.scope.settings import (
    MEANINGS,
    Around,
    commands_for,
    extract,
    fill,
    rounded,
    same_word,
    value_from,
    word_from,
)

AROUND = Around(ratio=10.0, range_v=8.0, points=1001, interval_s=1e-6)


def setting(name: str, means: str = "", unit: str = "number", **more: object) -> Setting:
    return replace(Setting(name=name, write=("X {value}",), query="X?", means=means, unit=unit), **more)  # type: ignore[arg-type]


BOTH_WAYS = [
    # setting, ours, theirs
    (setting("range", "window", "V"), 8.0, "8"),
    (setting("range", "window", "mV"), 8.0, "8000"),
    (setting("range", "half", "V"), 8.0, "4"),
    (setting("range", "per-division", "mV", divisions=8.0), 8.0, "1000"),
    (setting("range", "per-division", "V", divisions=8.0, referred="input"), 8.0, "0.1"),  # 8 V / 10 / 8
    (setting("offset", "centre", "V"), 2.5, "2.5"),
    (setting("offset", "shift", "V"), 2.5, "-2.5"),
    (setting("offset", "shift", "div", divisions=8.0), 2.5, "-2.5"),  # 1 V for a division
    (setting("offset", "centre", "V", referred="input"), 2.5, "0.25"),
    (setting("probe", "ratio", "ratio"), 10.0, "10"),
    (setting("probe", "loss", "dB"), 10.0, "20"),  # standards 2.5: x10 = 20 DB
    (setting("probe", "loss", "dB"), 1.0, "0"),  # and x1 = 0 DB
    (setting("probe", "gain", "gain"), 10.0, "0.1"),
    (setting("points", "", "points"), 1001, "1001"),
    (setting("points", "", "points", factor=0.001), 1001, "1.001"),
    (setting("interval", "interval", "ns"), 1e-6, "1000"),
    (setting("interval", "rate", "MHz"), 1e-6, "1"),
    (setting("interval", "record", "ms"), 1e-6, "1.001"),  # 1001 points
    (setting("interval", "record-to-last", "ms"), 1e-6, "1"),  # 1000 intervals: SWE:TIME = TINT x (POIN - 1)
    (setting("interval", "time-per-division", "us", divisions=10.0), 1e-6, "100.1"),
    (setting("place", "part-before", "fraction"), 0.1, "0.1"),
    (setting("place", "part-before", "percent"), 0.1, "10"),
    (setting("place", "points-before", "points"), 0.1, "100"),
    (setting("place", "time-before", "us"), 0.1, "100"),
    (setting("place", "start", "us"), 0.1, "-100"),
    (setting("place", "middle", "us"), 0.1, "400"),
    (setting("level", "", "mV"), 1.6, "1600"),
    (setting("level", "", "mV", referred="input"), 1.6, "160"),
]


@pytest.mark.parametrize(
    ("what", "ours", "theirs"), BOTH_WAYS, ids=[f"{s.name}-{s.means}-{s.unit}" for s, _, _ in BOTH_WAYS]
)
def test_each_meaning_is_said_and_understood(what: Setting, ours: float, theirs: str) -> None:
    """What is sent for a value, and what is read when just that comes back."""
    assert commands_for(what, ours, AROUND, {}) == [f"X {theirs}"]
    assert value_from(what, theirs, AROUND) == pytest.approx(ours, rel=1e-12)


def test_every_meaning_has_a_row_here() -> None:
    """A new meaning is tested, or this fails."""
    assert {what.means for what, _, _ in BOTH_WAYS} == set(MEANINGS)


@given(st.floats(min_value=1e-3, max_value=1e3), st.sampled_from([row[0] for row in BOTH_WAYS]))
def test_what_is_sent_reads_back_as_what_was_meant(value: float, what: Setting) -> None:
    """For any value, within the 12 digits that are sent."""
    if what.name == "points":
        value = round(value) + 2
    (said,) = commands_for(what, value, AROUND, {})
    assert value_from(what, said.removeprefix("X "), AROUND) == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert rounded(what, value, AROUND) == pytest.approx(value, rel=1e-9, abs=1e-9)


STEPS = [
    # rounding, ours in volts, what is sent in mV for a division with steps 1-2-5
    ("up", 3.0, "500"),  # 375 mV
    ("up", 4.0, "500"),  # exactly a step
    ("down", 3.0, "200"),
    ("nearest", 3.0, "500"),
    ("nearest", 2.0, "200"),  # 250 mV lies nearer to 200
]


@pytest.mark.parametrize(("rounding", "ours", "theirs"), STEPS)
def test_values_that_do_not_exist_become_steps(rounding: str, ours: float, theirs: str) -> None:
    """In the direction that the dialect gives: a window is rounded up, so that the signal still fits."""
    what = setting("range", "per-division", "mV", divisions=8.0, steps=steps("1-2-5"), rounding=rounding)
    assert commands_for(what, ours, AROUND, {}) == [f"X {theirs}"]


def test_rounding_up_is_rounding_down_for_a_quantity_that_falls() -> None:
    """A longer interval is a lower rate."""
    what = setting("interval", "rate", "MHz", steps=steps("1-2-5"), rounding="up")
    assert commands_for(what, 1 / 3e6, AROUND, {}) == ["X 2"]


def test_a_value_beyond_the_ends_is_refused_with_the_end() -> None:
    """Unless rounding goes there anyhow: a window smaller than the smallest becomes the smallest."""
    what = setting("range", "window", "V", minimum=0.02, maximum=80.0, rounding="up")
    assert commands_for(what, 0.001, AROUND, {}) == ["X 0.02"]
    with pytest.raises(RequestError, match="above the most, 80 V"):
        commands_for(what, 100.0, AROUND, {})
    what = setting("range", "window", "V", steps=(1.0, 2.0, 5.0), rounding="up")
    assert commands_for(what, 0.1, AROUND, {}) == ["X 1"]
    with pytest.raises(RequestError, match="largest step, 5 V"):
        commands_for(what, 6.0, AROUND, {})


def test_words_are_sent_and_understood_in_their_spellings() -> None:
    """The first is sent, any is understood; case, quotes and the form of a number do not matter."""
    what = setting("on", words={"on": ("ON", "1"), "off": ("OFF", "0")})
    assert commands_for(what, "off", AROUND, {}) == ["X OFF"]
    for reply in ("1", "+1", "on", '"ON"', "1.0"):
        assert word_from(what, reply) == "on"
    with pytest.raises(ReplyError, match="'MAYBE'"):
        word_from(what, "MAYBE")
    with pytest.raises(RequestError, match="it has on, off"):
        commands_for(what, "half", AROUND, {})


@pytest.mark.parametrize(
    ("reply", "where", "value"),
    [
        ("CH.A SENSE 500", Reply(header=True), "500"),
        ("500MV", Reply(suffix="mV"), "500"),
        ("1, 2 ,3", Reply(item=2), "2"),
        ("a;b", Reply(item=1, separator=";"), "a"),
        (":RANGE 5.0V", Reply(header=True, suffix="V"), "5.0"),
    ],
)
def test_values_are_found_in_replies(reply: str, where: Reply, value: str) -> None:
    """Headers, suffixes, items."""
    assert extract(reply, where) == value


def test_a_missing_item_is_told() -> None:
    """Not an index error."""
    with pytest.raises(ReplyError, match="2 items"):
        extract("1,2", Reply(item=3))


def test_a_setting_that_reads_back_as_no_number_is_refused() -> None:
    """NAN and INFinity are values of a reply, but not of a setting."""
    for reply in ("9.91E37", "9.9E37", "abc"):
        with pytest.raises(ReplyError):
            value_from(setting("range", "window", "V"), reply, AROUND)


def test_placeholders_are_filled_and_nothing_else_is_looked_at() -> None:
    """No expression language: a value that looks like a placeholder is text."""
    assert (
        fill("CH{channel}:{what} {value}", {"channel": "1", "what": "X", "value": "{channel}"})
        == "CH1:X {channel}"
    )
    assert same_word("a", "A")
    assert not same_word("a", "b")
    assert scpi.compose(["A"]) == "A"
