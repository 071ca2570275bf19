"""Calls made up from the description by schemathesis, to a real socket: none finds a mistake.

The same ones in every run (derandomized), so many for each call; more of them in `make soak`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings

from service.check.document import check_document
from service.run_record import utc_now
from service.stations import Station
from service.web.serving import serving
from tests.service.bench_of_straw import straw_wiring

pytestmark = pytest.mark.filterwarnings(
    # its strategies draw from Python's own generator, which hypothesis sets to the same start each time
    "ignore:Do not use the `random` module:hypothesis.errors.HypothesisDeprecationWarning"
)
EACH = 8
EACH_IN_SOAK = 150
ALSO = {405, 421}
"""Statuses that belong to the address or the host, not to one call."""


def straw_check(station: Station, *_: object) -> dict[str, Any]:
    """A check that passes at once."""
    return check_document(station.name, [], [], checked_at=utc_now(), only=[])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """The service's address, and the header of an admin's token."""
    more = {"work": {"check": straw_check}}
    wiring = straw_wiring(
        tmp_path_factory.mktemp("made-up"), more=more, rate_per_minute=1e6, queue_max=100_000
    )
    secret = wiring.access.tokens.make("tester", "admin", by="test")[1]
    with serving(wiring) as url:
        yield url, {"Authorization": f"Bearer {secret}"}


def try_all(place: tuple[str, dict[str, str]], each: int) -> int:
    """Every call of the description, `each` times; returns how many requests were made."""
    url, header = place
    document = httpx.get(f"{url}/openapi.json", headers=header, timeout=30).json()
    schema = schemathesis.openapi.from_dict(document)
    operations: list[Any] = [found.ok() for found in schema.get_all_operations()]  # type: ignore[union-attr]
    return sum(try_one(operation, url, header, each) for operation in operations)


def try_one(operation: Any, url: str, header: dict[str, str], each: int) -> int:
    known = {int(status) for status in operation.definition.raw["responses"]} | ALSO
    count = 0

    @given(case=operation.as_strategy())
    @settings(
        max_examples=each,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def one(case: Any) -> None:
        nonlocal count
        count += 1
        answer = case.call(base_url=url, headers=header, timeout=30)
        told = f"{case.method} {case.formatted_path} {case.body!r}: {answer.status_code} {answer.text[:300]}"
        assert answer.status_code < 500, told
        assert answer.status_code in known, told
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == ["application/problem+json"], told

    one()
    return count


def test_no_made_up_call_finds_a_mistake_in_the_service(place: tuple[str, dict[str, str]]) -> None:
    """Not 5xx, only statuses that the description names, errors in the one shape."""
    assert try_all(place, EACH) > 200


@pytest.mark.soak
def test_many_made_up_calls_find_no_mistake_in_the_service(place: tuple[str, dict[str, str]]) -> None:
    """The same, longer."""
    assert try_all(place, EACH_IN_SOAK) > 2000
