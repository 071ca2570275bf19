"""Faults of probes and wiring, from two traces to a result document."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from service.pipeline.expectation import Expectation
from service.pipeline.trace import Shot
from tests.service.pipeline.two_lines import (
    BLIND,
    KNOWN,
    TEXT,
    WIRE,
    Change,
    bench,
    judged,
    said,
    verdict,
)


@pytest.mark.parametrize("which", ["to_target", "from_target", "both"])
@pytest.mark.parametrize("factor", [0.1, 10.0])
@pytest.mark.parametrize("expectation", [KNOWN, BLIND])
def test_a_wrong_probe_factor_is_named_and_fails_nothing(
    which: str, factor: float, expectation: Expectation
) -> None:
    """Either probe or both, either direction, family stated or not."""
    wrong = replace(WIRE, high_v=3.3 * factor, noise_v=0.02 * factor, range_v=10 * factor)
    wire = WIRE if which == "from_target" else wrong
    back = WIRE if which == "to_target" else wrong
    document = judged(bench(wire=wire, back=back), expectation=expectation)
    lines = {"to_target", "from_target"} if which == "both" else {which}
    assert said(document) == {("probe-ratio", line) for line in lines}
    assert verdict(document, "levels") == "inconclusive/bench"
    assert verdict(document, "content") == "pass"


def _copied(part: float) -> Change:
    return lambda a, b, _: (a, b + part * (a - 3.3))


def _spikes(part: float) -> Change:
    tail = np.exp(-np.arange(20) / 4)
    return lambda a, b, _: (a, b + part * np.convolve(np.diff(a, prepend=a[0]), tail)[: len(a)])


@pytest.mark.parametrize("change", [_copied(0.12), _spikes(0.25)])
@pytest.mark.parametrize("expectation", [KNOWN, BLIND])
def test_crosstalk_is_no_echo(change: Change, expectation: Expectation) -> None:
    """12 % of the other line on a line that rests: silent firmware, and the crosstalk named."""
    document = judged(bench(TEXT, [], change=change), expectation=expectation)
    assert said(document) == {("crosstalk", "from_target"), ("echo-missing", "from_target")}
    assert verdict(document, "content") == "fail"


def test_crosstalk_beside_real_echoes_is_no_fault_of_the_levels() -> None:
    """12 % on a line that also works: named; its levels are not held against the firmware."""
    document = judged(bench(change=_copied(0.12)))
    assert ("crosstalk", "from_target") in said(document)
    assert not [f for f in document["findings"] if f["side"] == "device"]
    assert verdict(document, "content") == "pass"


@pytest.mark.parametrize("expectation", [KNOWN, BLIND])
def test_two_probes_on_one_node(expectation: Expectation) -> None:
    """Identical starts mean one shared node."""
    document = judged(bench(change=lambda a, _, __: (a, a)), expectation=expectation)
    assert said(document) == {("lines-bridged", "from_target")}
    assert document["verdict"] == "inconclusive"


def test_exchanged_probes() -> None:
    """The roles follow the traffic."""
    as_meant = bench()
    document = judged(Shot(as_meant.from_target, as_meant.to_target))
    assert said(document) == {("probes-exchanged", None)}
    assert document["lines"]["to_target"]["channel"] == "ch1"
    assert document["verdict"] == "pass"


@pytest.mark.parametrize("expectation", [KNOWN, BLIND])
def test_an_open_probe(expectation: Expectation) -> None:
    """0 V with some hum on the from-target line: nothing drives it."""
    hum: Change = lambda a, b, t: (a, b + 0.1 * np.sin(2 * np.pi * 50 * t))  # noqa: E731
    open_wire = replace(WIRE, high_v=0.0)
    document = judged(bench(TEXT, [], back=open_wire, change=hum), expectation=expectation)
    assert said(document) == {("line-undriven", "from_target")}
    assert verdict(document, "content") == "inconclusive/bench"


def test_an_open_probe_that_picks_up_its_surroundings_is_still_open() -> None:
    """Hum, a trace of the other line, and the slow discharge of 10 Mohm: no echoes are read into it."""
    rng = np.random.default_rng(8)

    def floating(
        a: NDArray[np.float64], b: NDArray[np.float64], t: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        edges = np.convolve(np.diff(a, prepend=a[0]), np.exp(-np.arange(60) / 15))[: len(a)]
        return a, b + 0.04 * edges + 0.08 * np.sin(2 * np.pi * 150 * t) + rng.normal(0, 0.01, len(t))

    document = judged(bench(TEXT, [], back=replace(WIRE, high_v=0.0), change=floating, tail_s=8e-3))
    assert ("line-undriven", "from_target") in said(document)
    assert not [f for f in document["findings"] if f["side"] == "device"]
    assert document["verdict"] == "inconclusive"
