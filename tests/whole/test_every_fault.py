"""However an instrument's answer fails: an error in time, nothing stale, and the next record is right."""

from __future__ import annotations

import pytest

from simulator.transports.delivery import Fault
from tests.whole.faults import POINTS, rows, try_fault


@pytest.mark.parametrize(("fault", "transport"), [pytest.param(f, t, id=f"{f.name}-{t}") for f, t in rows()])
def test_a_failing_answer_ends_in_time_and_the_next_record_is_whole(fault: Fault, transport: str) -> None:
    """A DriverError with the address, or no harm; then a record of the right length without a person."""
    told = try_fault(fault, transport)
    assert told.points_after == POINTS
    assert told.error_s < 12
    if told.error is not None:
        assert told.error.address is not None
