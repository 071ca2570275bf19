"""The [morning] table of the stations file: when the summary is ready, and whom it is sent to.

[morning]
at = "07:30"                    # the summary is ready then, whatever hangs
zone = "Europe/Berlin"
days = "1-5"                    # as in cron; every day without it
checks_start = "06:45"          # all these stations are checked from then on
stations = ["*"]                # names or patterns
[[morning.to]]
name = "teachers"               # how it is called in lists and logs
mail = ["ida@harbour.example"]
from = "benches@harbour.example"
server = "mail.harbour.example:587"
security = "starttls"           # or "tls", or "none" for a server on this machine
user = "benches"
password_env = "BENCH_MAIL_PASSWORD"    # or password_file; never in this file
[[morning.to]]
name = "board"
webhook = "https://board.harbour.example/benches"
secret_file = "board.secret"            # or secret_env
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, available_timezones

from service.errors import BadInput, BadSettings
from service.schedules import Schedule, schedule_from
from service.toml_tables import Place, read_toml

KEYS = ("at", "zone", "days", "checks_start", "stations", "to")
COMMON_KEYS = ("name", "mail", "webhook")
MAIL_KEYS = (*COMMON_KEYS, "from", "server", "security", "user", "password_env", "password_file", "ca_file")
WEBHOOK_KEYS = (*COMMON_KEYS, "secret_env", "secret_file", "ca_file")
SECURITY = ("starttls", "tls", "none")
HOUR = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
ADDRESS = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")
LATE = timedelta(hours=12)
"""A service that was down at the hour makes the summary late, but not half a day late."""
CHECKS = "morning-checks"


@dataclass(frozen=True)
class Secret:
    """Where a secret stands; it is read when it is used and shown nowhere."""

    env: str | None = None
    file: str | None = None

    def read(self) -> str:
        """BadSettings when it is not there; the message names the place, never what stands in it."""
        if self.env is not None:
            value = os.environ.get(self.env, "")
            where = f"the environment variable {self.env}"
        else:
            where = f"the file {self.file}"
            try:
                value = Path(self.file or "").read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise BadSettings(f"the secret in {where} cannot be read: {type(error).__name__}") from None
        if not value:
            raise BadSettings(f"there is no secret in {where}")
        return value


@dataclass(frozen=True)
class MailTarget:
    """Persons who get the summary by e-mail."""

    name: str
    to: tuple[str, ...]
    sender: str
    host: str
    port: int
    security: str = "starttls"
    user: str | None = None
    password: Secret | None = None
    ca_file: str | None = None
    """Certificates that are trusted instead of the system's."""


@dataclass(frozen=True)
class WebhookTarget:
    """A program that gets the summary, signed."""

    name: str
    url: str
    secret: Secret
    ca_file: str | None = None


Target = MailTarget | WebhookTarget


@dataclass(frozen=True)
class MorningPlan:
    """When and to whom."""

    at: str
    """Local time, HH:MM."""
    zone: str = "UTC"
    days: str = "*"
    checks_start: str | None = None
    stations: tuple[str, ...] = ("*",)
    to: tuple[Target, ...] = field(default=())

    def due(self, now: datetime) -> datetime | None:
        """The last set hour that is not more than LATE ago; None when there was none."""
        schedule = Schedule("morning", _cron(self.at, self.days), self.stations, self.zone)
        return max(schedule.moments(now - LATE, now), default=None)

    def checks_began(self, due: datetime) -> datetime | None:
        """When the checks of that morning were asked for; None where none are by plan."""
        if self.checks_start is None:
            return None
        schedule = Schedule(CHECKS, _cron(self.checks_start, self.days), self.stations, self.zone)
        return max(schedule.moments(due - LATE, due), default=None)

    def date_of(self, moment: datetime) -> str:
        """The day on the room's calendar."""
        return moment.astimezone(ZoneInfo(self.zone)).date().isoformat()

    def takes(self, station: str) -> bool:
        return any(fnmatchcase(station, pattern) for pattern in self.stations)

    def schedules(self) -> list[dict[str, Any]]:
        """The checks, as a schedule of the stations file."""
        if self.checks_start is None:
            return []
        cron = _cron(self.checks_start, self.days)
        return [{"name": CHECKS, "cron": cron, "stations": list(self.stations), "zone": self.zone,
                 "kind": "check"}]  # fmt: skip


def read_morning(path: Path) -> MorningPlan | None:
    """The table [morning]; None when there is none. BadStationsFile says what is wrong."""
    document = read_toml(path)
    table = document.get("morning")
    if table is None:
        return None
    where = Place(str(path), table="morning")
    where.table_of(table, KEYS)
    plan = MorningPlan(
        at=_hour(table, "at", where),
        zone=_zone(table, where),
        days=where.text(table, "days", 'days as in cron such as "1-5"') if "days" in table else "*",
        checks_start=_hour(table, "checks_start", where) if "checks_start" in table else None,
        stations=_stations(table, where),
        to=_targets(table, where, path.parent),
    )
    try:
        for schedule in plan.schedules() or [{"name": "morning", "cron": _cron(plan.at, plan.days),
                                              "stations": ["*"], "zone": plan.zone}]:  # fmt: skip
            schedule_from(schedule, ("check",), [s.get("name", "") for s in document.get("station", ())])
    except BadInput as error:
        raise where.wrong(str(error)) from None
    return plan


def _cron(hour: str, days: str) -> str:
    hours, minutes = hour.split(":")
    return f"{int(minutes)} {int(hours)} * * {days}"


def _hour(table: Mapping[str, Any], key: str, where: Place) -> str:
    text = where.text(table, key, 'a time such as "07:30"')
    if not HOUR.fullmatch(text):
        raise where.wrong(f'must be a time such as "07:30", was {text!r}', key)
    return text


def _zone(table: Mapping[str, Any], where: Place) -> str:
    if "zone" not in table:
        return "UTC"
    zone = where.text(table, "zone", "a time zone such as Europe/Berlin")
    if zone not in available_timezones():
        raise where.wrong(f"must be a time zone such as Europe/Berlin, was {zone!r}", "zone")
    return zone


def _stations(table: Mapping[str, Any], where: Place) -> tuple[str, ...]:
    if "stations" not in table:
        return ("*",)
    return _texts(table, "stations", 'names or patterns such as ["north-*"]', where)


def _texts(table: Mapping[str, Any], key: str, words: str, where: Place) -> tuple[str, ...]:
    values = where.value(table, key, list, f"a list of {words}")
    if not values or not all(isinstance(value, str) and value.strip() for value in values):
        raise where.wrong(f"must be a list of {words}, was {values!r}", key)
    return tuple(values)


def _targets(table: Mapping[str, Any], where: Place, folder: Path) -> tuple[Target, ...]:
    entries = table.get("to", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise where.wrong("whom it is sent to is written as [[morning.to]], with two brackets")
    found = [_target(e, replace(where, table=f"morning.to {n}"), folder) for n, e in enumerate(entries, 1)]
    names = [target.name for target in found]
    for name in names:
        if names.count(name) > 1:
            raise where.wrong(f"two of [[morning.to]] are called {name!r}")
    return tuple(found)


def _target(table: Mapping[str, Any], where: Place, folder: Path) -> Target:
    if ("mail" in table) == ("webhook" in table):
        raise where.wrong("needs either mail or webhook")
    name = where.text(table, "name", "a name for lists and logs")
    ca_file = _path(table, "ca_file", where, folder)
    if "webhook" in table:
        where.known(table, WEBHOOK_KEYS)
        secret = _secret(table, "secret", where, folder)
        if secret is None:
            raise where.wrong("needs secret_env or secret_file: an unsigned summary proves nothing")
        return WebhookTarget(name, _url(table, where), secret, ca_file)
    where.known(table, MAIL_KEYS)
    addresses = _texts(table, "mail", "addresses", where)
    sender = where.text(table, "from", "an address")
    for address in (*addresses, sender):
        if not ADDRESS.fullmatch(address):
            raise where.wrong(f"{address!r} is no address such as ida@harbour.example")
    host, port = _server(table, where)
    security = table.get("security", "starttls")
    if security not in SECURITY:
        raise where.wrong(f"must be one of {', '.join(SECURITY)}, was {security!r}", "security")
    user = where.text(table, "user", "a name") if "user" in table else None
    password = _secret(table, "password", where, folder)
    if (user is None) != (password is None):
        raise where.wrong("user and password_env or password_file go together")
    if security == "none" and password is not None:
        raise where.wrong("a password does not go over a connection that anybody can read", "security")
    return MailTarget(name, addresses, sender, host, port, security, user, password, ca_file)


def _secret(table: Mapping[str, Any], what: str, where: Place, folder: Path) -> Secret | None:
    env, file = f"{what}_env", f"{what}_file"
    if env in table and file in table:
        raise where.wrong(f"needs {env} or {file}, not both")
    if env in table:
        return Secret(env=where.text(table, env, "the name of an environment variable"))
    path = _path(table, file, where, folder)
    return Secret(file=path) if path is not None else None


def _path(table: Mapping[str, Any], key: str, where: Place, folder: Path) -> str | None:
    """A path counts from the folder of the stations file."""
    if key not in table:
        return None
    return str((folder / Path(where.text(table, key, "a path")).expanduser()).resolve())


def _url(table: Mapping[str, Any], where: Place) -> str:
    url = where.text(table, "webhook", "an address such as https://board.harbour.example/benches")
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.password:
        raise where.wrong(f"must be an https address without a password in it, was {url!r}", "webhook")
    return url


def _server(table: Mapping[str, Any], where: Place) -> tuple[str, int]:
    text = where.text(table, "server", "a server such as mail.harbour.example:587")
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise where.wrong(
            f"must be a server with its port such as mail.harbour.example:587, was {text!r}", "server"
        )
    return host.strip("[]"), int(port)
