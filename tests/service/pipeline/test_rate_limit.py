"""The rate criterion against published receiver tolerances and divider tables."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.pipeline.chain import judge_readings
from service.pipeline.expectation import Expectation, Limits
from tests.service.pipeline.builders import F8N1, LOOKS, echo_of, shot, train

# ATmega8 manual (2486AA tables 61-63): wanted rate, then N and printed error in percent at 16 MHz /16, 16 MHz
# /8, 8 MHz /16,
# 8 MHz /8 and 1.8432 MHz /16. None = not printed.
TABLE = [
    (2400, (416, -0.1), (832, 0.0), (207, 0.2), (416, -0.1), (47, 0.0)),
    (9600, (103, 0.2), (207, 0.2), (51, 0.2), (103, 0.2), (11, 0.0)),
    (19200, (51, 0.2), (103, 0.2), (25, 0.2), (51, 0.2), (5, 0.0)),
    (38400, (25, 0.2), (51, 0.2), (12, 0.2), (25, 0.2), (2, 0.0)),
    (57600, (16, 2.1), (34, -0.8), (8, -3.5), (16, 2.1), (1, 0.0)),
    (115200, (8, -3.5), (16, 2.1), (3, 8.5), (8, -3.5), (0, 0.0)),
    (230400, (3, 8.5), (8, -3.5), (1, 8.5), (3, 8.5), None),
]
CLOCKS = ((16e6, 16), (16e6, 8), (8e6, 16), (8e6, 8), (1.8432e6, 16))
CELLS = [
    pytest.param(wanted, clock / (divider * (cell[0] + 1)), cell[1], id=f"{wanted}-{clock:g}-{divider}")
    for wanted, *cells in TABLE
    for (clock, divider), cell in zip(CLOCKS, cells, strict=True)
    if cell is not None
]


def rate_verdict(nominal: float, actual: float, rate_percent: float = 2.0) -> str:
    """What becomes of a firmware that sends at `actual`."""
    sent = train(b"Tide", step_s=20 / nominal)
    to, back = replace(LOOKS, bit_s=1 / nominal), replace(LOOKS, bit_s=1 / actual, channel="ch2")
    expectation = Expectation(
        baud=nominal, frame=F8N1, logic="3.3", limits=Limits(rate_percent=rate_percent, latency_max_s=1.0)
    )
    echoed = echo_of(sent, bit_s=1 / nominal)
    criteria = judge_readings([shot(sent, echoed, to=to, back=back)], expectation).criteria
    return next(c.verdict for c in criteria if c.name == "rate")


@pytest.mark.parametrize(("wanted", "actual", "printed"), CELLS)
def test_each_cell_of_the_divider_table_is_judged_by_its_error(
    wanted: int, actual: float, printed: float
) -> None:
    """All 34 cells: rate = clock / (16 or 8 (N+1)), error to the printed 0.1 %; beyond 2 % it fails."""
    assert 100 * (actual / wanted - 1) == pytest.approx(printed, abs=0.051)
    assert rate_verdict(wanted, actual) == ("pass" if abs(printed) < 2 else "fail")


def test_the_table_has_its_34_cells() -> None:
    """As published, less the one that the divider cannot make."""
    assert len(CELLS) == 34


@pytest.mark.parametrize(
    ("total_percent", "source"),
    [
        (100 * 0.5 / 9.5, "ideal centre sampling, Circuit Cellar answers: 5.26 %"),
        (100 * (7 / 16) / 9.5, "with 1/16 bit of start uncertainty, Circuit Cellar issue 296: 4.60 %"),
        (100 * (154 - 147) / 154, "KL27 reference manual 38.5, slow data, 8 bits: 4.54 %"),
        (100 * (170 - 163) / 170, "KL27 reference manual 38.5, slow data, 9 bits: 4.12 %"),
        (100 * 7.5 / 160, "H8S Q&A p. 107: 4.69 %"),
        (100 * 15.5 / 320, "U16035EJ1V0UM p. 227, 8 data bits and parity: 4.8438 %"),
    ],
)
def test_two_ends_at_the_limit_still_understand_each_other(total_percent: float, source: str) -> None:
    """Sender and receiver each 2 % off, in opposite directions, stay inside every published mismatch."""
    printed = float(source.rsplit(": ", 1)[1].rstrip(" %"))
    assert total_percent == pytest.approx(printed, abs=0.006)
    assert 2 * Limits().rate_percent < total_percent


def test_the_receive_margin_at_no_clock_error_is_nearly_half_a_bit() -> None:
    """M = (0.5 - 1/(2N)) - (L - 0.5) F - abs(D - 0.5)/N (1 + F): 46.875 % (SH7041 manual p. 535)."""
    n, d, f, length = 16, 0.5, 0.0, 10
    margin = abs((0.5 - 1 / (2 * n)) - (length - 0.5) * f - abs(d - 0.5) / n * (1 + f))
    assert 100 * margin == pytest.approx(46.875)
    # what is left of it at our limit, one end off: 46.875 - 19 = 27.9 %, where 20 to 30 % are advised in
    # design
    at_limit = (0.5 - 1 / (2 * n)) - (length - 0.5) * Limits().rate_percent / 100
    assert 20 < 100 * at_limit < 30


@pytest.mark.parametrize(
    ("percent", "limit", "verdict"),
    [(4.5, 2.0, "fail"), (4.5, 5.0, "pass"), (1.9, 2.0, "pass"), (-1.9, 2.0, "pass"), (-2.1, 2.0, "fail"),
     (2.0, 2.0, "inconclusive"), (-2.0, 2.0, "inconclusive")],
)  # fmt: skip
def test_a_station_may_state_another_limit(percent: float, limit: float, verdict: str) -> None:
    """4.5 % off is marginal, not fine; at the limit itself nothing is decided."""
    assert rate_verdict(230_400, 230_400 * (1 + percent / 100), limit) == verdict
