"""Schedules: when by themselves runs are asked for, in the local time of a place, and what of it was missed.

Local times (common practice of cron, no source):
- A time that the clock jumps over in spring is served once, as far after the jump as it lay after its begin.
- A time that comes twice in autumn is served once, the first time.
- With `*` in the hour field, every minute that really passes counts: neither gap nor pause at a change.
"""

from __future__ import annotations

import fnmatch
import zoneinfo
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from croniter import CroniterBadDateError, croniter

from service.errors import BadInput
from service.run_record import PRIORITIES

MISSED = ("skip", "once")
LATE = timedelta(seconds=60)
"""Later than this, a moment counts as missed: the service was down, or its host slept."""
MINUTE = timedelta(minutes=1)
HORIZON = timedelta(days=366 * 2)
"""A time that does not come within two years (such as 30 February) never comes."""


@dataclass(frozen=True)
class Schedule:
    """When which stations are asked to do what."""

    name: str
    cron: str
    """Minute, hour, day of month, month, day of week."""
    stations: tuple[str, ...]
    """Names, or patterns such as "north-*"."""
    zone: str = "UTC"
    """IANA name of the time zone, e.g. "Europe/Berlin"."""
    kind: str = "check"
    send: Mapping[str, str] = field(default_factory=dict)
    """For an echo test: `text`, `hex` or `plan`."""
    missed: str = "skip"
    """What becomes of moments at which nobody was there: skip, or make up for the last one once."""
    priority: str | None = None
    enabled: bool = True

    def as_document(self) -> dict[str, Any]:
        """For JSON; `schedule_from` is the way back."""
        return {**asdict(self), "stations": list(self.stations)}

    def stations_of(self, names: Sequence[str]) -> list[str]:
        """Those of the names that it means, in their order."""
        return [n for n in names if any(fnmatch.fnmatchcase(n, pattern) for pattern in self.stations)]

    def moments(self, after: datetime, until: datetime) -> Iterator[datetime]:
        """All moments (UTC, rising) later than `after` and not later than `until`."""
        found = self._every_minute if "*" in self.cron.split()[1] else self._local_times
        return found(after.astimezone(UTC), until.astimezone(UTC))

    def next_after(self, moment: datetime) -> datetime | None:
        """The next moment; None when there is none within two years."""
        step = timedelta(days=1)
        start = moment
        while start < moment + HORIZON:
            if (found := next(self.moments(start, start + step), None)) is not None:
                return found
            start, step = start + step, min(step * 2, timedelta(days=31))
        return None

    def _every_minute(self, after: datetime, until: datetime) -> Iterator[datetime]:
        zone = ZoneInfo(self.zone)
        moment = after.replace(second=0, microsecond=0) + MINUTE
        while moment <= until:
            if croniter.match(self.cron, moment.astimezone(zone).replace(tzinfo=None)):
                yield moment
            moment += MINUTE

    def _local_times(self, after: datetime, until: datetime) -> Iterator[datetime]:
        zone = ZoneInfo(self.zone)
        margin = timedelta(hours=3)  # wider than any change of a clock
        local = after.astimezone(zone).replace(tzinfo=None) - margin
        last = after
        for wall in _walls(self.cron, local):
            moment = wall.replace(tzinfo=zone).astimezone(UTC)
            if moment > until:
                return
            if moment > last:
                yield moment
                last = moment


def _walls(cron: str, after: datetime) -> Iterator[datetime]:
    """Times on the wall; none when the day never comes, such as 30 February."""
    try:
        yield from croniter(cron, after).all_next(datetime)
    except CroniterBadDateError:
        return


def schedule_from(document: Mapping[str, Any], kinds: Sequence[str], stations: Sequence[str]) -> Schedule:
    """A schedule from a request, the stations file or the database, checked.

    Raises:
        BadInput: says what is wrong and what would be right.
    """
    values = {**document, "stations": tuple(document.get("stations", ()))}
    try:
        schedule = Schedule(**values)
    except TypeError as error:
        raise BadInput(f"this is no schedule: {error}") from None
    fields = schedule.cron.split()
    if len(fields) != 5 or not croniter.is_valid(schedule.cron):
        raise BadInput(
            f"cron {schedule.cron!r} is none: minute, hour, day of month, month and day of week are needed, "
            'for example "30 7 * * 1-5"'
        )
    if schedule.zone not in zoneinfo.available_timezones():
        raise BadInput(f"zone {schedule.zone!r} is no time zone such as Europe/Berlin")
    rules = (
        ("kind", schedule.kind, kinds),
        ("missed", schedule.missed, MISSED),
        ("priority", schedule.priority, (None, *PRIORITIES)),
    )
    for what, value, allowed in rules:
        if value not in allowed:
            words = ", ".join(str(word) for word in allowed if word)
            raise BadInput(f"{what} {value!r} is not known here, known are {words}")
    if not schedule.stations_of(stations):
        raise BadInput(f"no station is called {', '.join(schedule.stations) or 'nothing'}")
    return schedule
