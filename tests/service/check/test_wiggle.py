"""The wiggle test: contacts that are lost while a person moves cable and clip are counted, line by line."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.check.wiggle import wiggle
from simulator.bench import Bench, open_benches
from simulator.faults import BENCHES, Kind
from simulator.plan import FLOATING
from tests.service.check.hands import Hands, Person
from tests.whole.benches import station_of


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=71) as (one,):
        yield one


def test_good_contacts_have_no_dropout_in_ten_seconds(bench: Bench) -> None:
    """Ten records of a second; the line may rest."""
    person = Person(Hands(bench), {"wiggle": lambda: None}, patience=20)
    found = wiggle(station_of(bench), person.hooks())
    assert found.findings == ()
    assert [(i.name, i.value, i.verdict) for i in found.items] == [
        ("to_target.dropouts", 0.0, "pass"),
        ("from_target.dropouts", 0.0, "pass"),
    ]
    assert found.more["wiggle"]["watched_s"] == pytest.approx(10, abs=0.01)
    assert person.prompts[0]["caution"][0].startswith("Ground clip first")


def test_one_dropout_of_a_millisecond_in_ten_seconds_is_found_on_its_line(bench: Bench) -> None:
    """needs of this house, G3: a 1 ms drop-out is found in a 10 s wiggle test."""
    seconds = iter([1e-3])

    def bump() -> None:
        """In the middle of the next record, once."""
        for once in seconds:
            bench.scope.inputs[1].lose_contact(bench.scope.now() + 0.5, once)

    person = Person(Hands(bench), {"wiggle": bump}, patience=20)
    found = wiggle(station_of(bench), person.hooks())
    (finding,) = found.findings
    assert (finding.code, finding.line) == ("contact-lost", "from_target")
    assert finding.evidence["count"] == 1
    assert finding.evidence["longest_s"] == pytest.approx(1e-3, rel=0.1)
    assert [i.verdict for i in found.items] == ["pass", "fail"]
    assert "drop-out 1" in person.kept
    assert any("ch2: 1 drop-out, the longest 1 ms" in look.text for look in person.looks)


@pytest.mark.parametrize("kind", [pytest.param(k, id=k.name) for k in BENCHES if k.seen_by == "wiggle"])
def test_every_bench_with_a_bad_contact_is_named(kind: Kind) -> None:
    """Twice a second for 1 ms: about twenty in ten seconds, a Poisson count (its spread is its root)."""
    with open_benches(seed=72, bench=kind.name) as (one,):
        found = wiggle(station_of(one), Person(Hands(one), {"wiggle": lambda: None}, patience=20).hooks())
    (finding,) = found.findings
    assert finding.code == kind.finding
    assert 6 <= finding.evidence["count"] <= 34


def test_a_line_that_is_not_driven_is_not_called_good(bench: Bench) -> None:
    """A tip that touches nothing has no contact to lose: the item is left open."""
    bench.person.move_probe(1, FLOATING)
    found = wiggle(station_of(bench), Person(Hands(bench), {"wiggle": lambda: None}, patience=20).hooks())
    first = next(i for i in found.items if i.name == "to_target.dropouts")
    assert (first.value, first.verdict) == (None, "inconclusive")
