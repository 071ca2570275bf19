"""Logic families and limits against the published tables."""

from __future__ import annotations

from dataclasses import fields

import pytest

from service.pipeline.expectation import CRITERIA, LOGIC_FAMILIES, Expectation, Limits
from service.pipeline.families import FAMILIES, family, likely_family
from service.pipeline.limits import LIMITS, LimitError, limits_from


@pytest.mark.parametrize(
    ("name", "vil", "vih", "vol", "voh"),
    [
        ("5-ttl", 0.8, 2.0, 0.4, 2.4),  # device data tables for 5 V TTL
        ("5-cmos", 1.5, 3.5, 0.1, 4.9),  # HC at 5 V: 0.3 and 0.7 Vcc, from memory of the data books
        ("3.3", 0.8, 2.0, 0.4, 2.4),  # LVTTL, JESD8-B/-C by a device table that follows it
        ("2.5", 0.7, 1.7, 0.4, 2.0),  # JESD8-5
        ("1.8", 0.63, 1.17, 0.45, 1.35),  # JESD8-7: 0.35 and 0.65 Vcc; Vcc - 0.45
        ("rs232", -3.0, 3.0, -5.0, 5.0),  # TIA-232-F: receiver decides beyond 3 V, driver gives 5 V or more
    ],
)
def test_the_levels_are_those_of_the_published_tables(
    name: str, vil: float, vih: float, vol: float, voh: float
) -> None:
    """standards notes 4.4 and 4.5; the sources stand beside the rows."""
    row = family(name)
    assert (row.vil_max_v, row.vih_min_v, row.vol_max_v, row.voh_min_v) == pytest.approx((vil, vih, vol, voh))


def test_a_3_3_volt_output_drives_5_volt_ttl_but_not_5_volt_cmos() -> None:
    """VOH 2.4 V is above 2.0 V and below 3.5 V (standards notes 4.5)."""
    assert family("3.3").voh_min_v > family("5-ttl").vih_min_v
    assert family("3.3").voh_min_v < family("5-cmos").vih_min_v


def test_every_family_that_can_be_asked_for_is_there() -> None:
    """The command line's list and the table are one."""
    assert tuple(f.name for f in FAMILIES) == LOGIC_FAMILIES
    with pytest.raises(KeyError, match=r"no logic family '4\.7'"):
        family("4.7")


@pytest.mark.parametrize(
    ("low", "high", "name"),
    [(0, 1.8, "1.8"), (0.02, 2.45, "2.5"), (0, 3.3, "3.3"), (0.1, 3.0, "3.3"), (0, 5, "5-cmos"),
     (0.5, 3.7, "3.3"),
     (-9, 9, "rs232"), (-5.5, 5.5, "rs232"), (-12, 12, "rs232"),
     (0, 0.33, None), (0, 33, None), (-1.2, 1.2, None), (1.0, 4.3, None), (0, 0.18, None)],
)  # fmt: skip
def test_levels_point_to_their_family_or_to_none(low: float, high: float, name: str | None) -> None:
    """The family whose receivers understand both levels; nothing is guessed for what fits none."""
    found = likely_family(low, high)
    assert (found.name if found else None) == name


def test_every_limit_has_its_reason_and_its_source() -> None:
    """The table is complete, and the defaults stand in one place only."""
    assert [row.name for row in LIMITS] == [f.name for f in fields(Limits)]
    for row in LIMITS:
        assert len(row.reason) > 40
        assert row.source
        assert row.default == getattr(Expectation().limits, row.name)


def test_the_default_rate_limit_is_what_receivers_are_advised() -> None:
    """2.0 % for 8 data bits at 16 samples a bit (ATmega8 USART table); inside 0.5/9.5 = 5.26 % and 4.60 %."""
    d, s, sf, sm = 8, 16, 8, 9
    slow = 100 * (d + 1) * s / (s - 1 + d * s + sf)
    fast = 100 * (d + 2) * s / ((d + 1) * s + sm)
    assert slow == pytest.approx(95.36, abs=0.005)
    assert fast == pytest.approx(104.58, abs=0.005)
    # every printed edition says -4.54 for this cell; from 95.36 it must be -4.64
    assert slow - 100 == pytest.approx(-4.64, abs=0.005)
    assert Limits().rate_percent == 2.0 < min(100 - slow, fast - 100) < 100 * 0.5 / 9.5


@pytest.mark.parametrize(
    ("d", "slow16", "fast16", "slow8", "fast8"),
    [(5, 93.20, 106.67, 94.12, 105.66), (6, 94.12, 105.79, 94.92, 104.92),
     (7, 94.81, 105.11, 95.52, 104.35),
     (8, 95.36, 104.58, 96.00, 103.90), (9, 95.81, 104.14, 96.39, 103.53),
     (10, 96.17, 103.78, 96.70, 103.23)],
)  # fmt: skip
def test_the_published_receiver_table_leaves_room_for_the_rate_limit(
    d: int, slow16: float, fast16: float, slow8: float, fast8: float
) -> None:
    """ATmega8 USART chapter, all 12 rows, recomputed to 0.01; our 2 % lies inside every one of them."""
    for s, sf, sm, slow, fast in ((16, 8, 9, slow16, fast16), (8, 4, 5, slow8, fast8)):
        assert 100 * (d + 1) * s / (s - 1 + d * s + sf) == pytest.approx(slow, abs=0.006)
        assert 100 * (d + 2) * s / ((d + 1) * s + sm) == pytest.approx(fast, abs=0.006)
        assert slow < 100 - Limits().rate_percent
        assert fast > 100 + Limits().rate_percent


def test_stated_limits_replace_the_defaults() -> None:
    """The contract's names, integers allowed."""
    limits = limits_from({"latency_max_s": 1e-3, "rate_percent": 1, "required": ["content", "edges"]})
    assert (limits.latency_max_s, limits.rate_percent) == (1e-3, 1.0)
    assert limits.required == ("content", "edges")
    assert limits.edge_percent == Limits().edge_percent


@pytest.mark.parametrize(
    ("stated", "says"),
    [({"latency_max": 1}, "nearest one is 'latency_max_s'"), ({"rate_percent": "2"}, "must be a number"),
     ({"rate_percent": -1}, "must be positive"), ({"rate_percent": float("nan")}, "must be a number"),
     ({"latency_max_s": True}, "must be a number"), ({"required": ["contents"]}, "'contents' is none"),
     ({"required": "content"}, "must list criteria")],
)  # fmt: skip
def test_a_limit_that_cannot_be_is_refused_in_words(stated: dict[str, object], says: str) -> None:
    """A misspelt name is answered with the nearest one, a bad value with the rule."""
    with pytest.raises(LimitError, match=says):
        limits_from(stated)


def test_the_criteria_are_those_of_the_contract() -> None:
    """Seven, in the order in which people read them; all but edges required."""
    assert CRITERIA == ("content", "order", "framing", "timing", "rate", "levels", "edges")
    assert Limits().required == CRITERIA[:-1]
