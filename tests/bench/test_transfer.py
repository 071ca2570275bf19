"""The rows of the transfer bench come from real transfers, however small."""

from __future__ import annotations

import pytest

from simulator.scope.makers import MAKERS
from tests.bench.round_trips import TRANSPORTS, cost_of_a_set_up
from tests.bench.transfer import transfer_figures


def test_both_ways_are_measured_beside_a_plain_socket() -> None:
    """One row for each way and size, as a share of the plain socket's speed in the same run."""
    figures = list(transfer_figures(sizes_mb=(1,), repeats=3))
    assert [figure.name for figure in figures] == ["plain again 1 MB", "socket 1 MB", "hislip 1 MB"]
    assert all(figure.measured > 0 and "plain socket" in figure.note for figure in figures)


@pytest.mark.parametrize("transport", TRANSPORTS)
@pytest.mark.parametrize("scope", [maker.name for maker in MAKERS])
def test_a_full_set_up_costs_at_most_as_many_round_trips_as_it_has_queries(
    scope: str, transport: str
) -> None:
    """Settings ride along with a question; where a scope takes several sentences in a message, far fewer."""
    cost = cost_of_a_set_up(scope, transport)
    assert 0 < cost.round_trips <= cost.queries
    if scope != "curlew":  # which takes one sentence for each message
        assert cost.round_trips <= 6
