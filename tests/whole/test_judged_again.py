"""A capture that a run kept, judged again from its file alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.scope.capture import Capture
from service.analysis import AnalysisOptions, analyse
from service.errors import BadCaptureFile
from service.files.npz import capture_from_bytes, capture_to_bytes
from service.hooks import RunHooks
from service.pipeline.expectation import Limits
from service.report.sentences import assumptions
from tests.whole.benches import codes, echo_document, one_bench, station_of, verdicts

KINDS: tuple[dict[str, str], ...] = (
    {"firmware": "good"},
    {"firmware": "silent"},
    {"firmware": "drops-one"},
    {"firmware": "swaps-pair"},
    {"firmware": "late"},
    {"firmware": "wrong-rate"},
    {"firmware": "weak-levels"},
    {"firmware": "framing"},
    {"bench": "probes-exchanged"},
    {"bench": "probe-ratio-off"},
    {"bench": "stimulus-differs"},
    {"bench": "line-undriven"},
)


def kept_by(**kinds: Any) -> tuple[dict[str, Any], Capture]:
    """The run's document and its one shot."""
    kept: dict[str, Capture] = {}
    document = echo_document(
        hooks=RunHooks(keep=lambda c, label: kept.__setitem__(label, c)), seed=5, **kinds
    )
    return document, kept["shot 1"]


@pytest.mark.parametrize("kinds", KINDS, ids=lambda k: next(iter(k.values())))
def test_a_kept_capture_gets_the_verdict_of_its_run(kinds: dict[str, str]) -> None:
    """Without a single option: what was sent, owed, expected and heard is in the file."""
    document, capture = kept_by(**kinds)
    again = analyse(capture_to_bytes(capture), "capture-0.npz", AnalysisOptions()).document
    assert again["verdict"] == document["verdict"]
    assert verdicts(again) == verdicts(document)
    assert codes(again) == codes(document)
    assert again["expected"]["sent"] == document["expected"]["sent"]


def test_what_the_options_say_counts_more_than_what_the_file_knows() -> None:
    """Sent, rate, time base: each is replaced, the rest stays."""
    _, capture = kept_by(firmware="good")
    data = capture_to_bytes(capture)
    other = analyse(data, "x.npz", AnalysisOptions(sent=b"Quay", baud=115_200.0, timebase_ppm=3.0)).document
    assert "stimulus-differs" in codes(other)
    assert (other["expected"]["baud"], other["expected"]["timebase_ppm"]) == (115_200.0, 3.0)
    assert other["expected"]["logic"] == "3.3"


def test_the_station_s_own_limits_and_channels_are_in_the_file() -> None:
    """A board that answers within the usual limit is late for a station with a stricter one."""
    from service.echo_test import run_echo_test

    kept: dict[str, Capture] = {}
    with one_bench(firmware="late", seed=5) as bench:
        station = station_of(bench, limits=Limits(latency_max_s=1e-3, required=("timing", "content")))
        run_echo_test(station, b"Tide 7", RunHooks(keep=lambda c, label: kept.__setitem__(label, c)))
    again = analyse(capture_to_bytes(kept["shot 1"]), "x.npz", AnalysisOptions()).document
    assert again["expected"]["limits"]["latency_max_s"] == 1e-3
    assert {c["name"] for c in again["criteria"] if c["required"]} == {"timing", "content"}
    assert again["lines"]["to_target"]["channel"] == "ch1"


def test_what_is_known_survives_the_file_and_older_files_say_that_nothing_is() -> None:
    """Lossless; a capture of an older version counts what the line carried as sent, and says so."""
    _, capture = kept_by(firmware="good")
    assert capture_from_bytes(capture_to_bytes(capture)).known == capture.known
    older = analyse(capture_to_bytes(replace(capture, known={})), "x.npz", AnalysisOptions()).document
    assert older["expected"]["sent"] is None
    assert "What the to-target line carried counts as sent" in older["expected"]["notes"][0]
    assert "What the to-target line carried counts as sent" in "".join(assumptions(older))


@pytest.mark.parametrize(
    "changed",
    [
        {"frame": "9X9"},
        {"baud": -1.0},
        {"logic": "7"},
        {"sent_hex": "zz"},
        {"limit.rate_percent": "x"},
        {"limit.required": 1.0},
        {"owed_hex": 1},
    ],
)
def test_nonsense_in_what_is_known_is_refused_by_name(changed: dict[str, Any]) -> None:
    """The seal holds, somebody's program wrote it so."""
    _, capture = kept_by(firmware="good")
    data = capture_to_bytes(replace(capture, known={**capture.known, **changed}))
    with pytest.raises(BadCaptureFile, match=r"capture-0\.npz"):
        analyse(data, "capture-0.npz", AnalysisOptions())
