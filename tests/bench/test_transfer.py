"""The rows of the transfer bench come from real transfers, however small."""

from __future__ import annotations

from tests.bench.transfer import transfer_figures


def test_both_ways_are_measured_beside_a_plain_socket() -> None:
    """One row for each way and size, as a share of the plain socket's speed in the same run."""
    figures = list(transfer_figures(sizes_mb=(1,), repeats=3))
    assert [figure.name for figure in figures] == ["socket 1 MB", "hislip 1 MB"]
    assert all(figure.measured > 0 and "plain socket" in figure.note for figure in figures)
