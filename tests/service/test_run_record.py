"""Ids, times, states: what a run's record promises by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.errors import BadQuery
from service.run_record import moment_of, new_id, timestamp

START = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)


@pytest.mark.parametrize("text", ["yesterday", "2027-13-01", "", "12:00"])
def test_a_time_that_is_none_is_refused(text: str) -> None:
    """With what a time looks like."""
    with pytest.raises(BadQuery, match="2027-01-12T06:31:08Z"):
        moment_of(text, "since")


def test_ids_sort_by_time_and_differ_at_the_same_instant() -> None:
    """Two processes that start a run in the same microsecond do not meet."""
    ids = [new_id(START + timedelta(minutes=n)) for n in range(20)]
    assert ids == sorted(ids)
    assert len({new_id(START) for _ in range(50)}) == 50


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # the examples of RFC 3339 section 5.8 (from memory, as standards notes say)
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("2027-01-12", "2027-01-12T00:00:00.000Z"),
        ("2027-01-12T08:00:00 02:00", "2027-01-12T06:00:00.000Z"),
    ],
)
def test_times_are_read_as_rfc_3339_and_written_in_utc(text: str, utc: str) -> None:
    """A plus sign that became a space on its way through an address is still an offset."""
    assert timestamp(moment_of(text, "since")) == utc
