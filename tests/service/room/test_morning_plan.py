"""The morning's plan: it stands in the stations file, keeps the room's hours, and asks for the checks."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.errors import BadStationsFile
from service.room.morning_plan import MailTarget, MorningPlan, WebhookTarget, read_morning
from service.scheduler import Scheduler
from service.stations import load_stations
from tests.service.bench_of_straw import NAMES, station_toml, straw_wiring
from tests.service.room.papers import Hands
from tests.service.room.test_morning import PLAN


def test_the_hour_is_that_of_the_room_through_the_change_of_the_clock() -> None:
    """07:30 in Berlin is 06:30 UTC in winter and 05:30 in summer; 28 March 2027 changes."""
    plan = MorningPlan(at="07:30", zone="Europe/Berlin")
    for day, hour in ((27, 6), (28, 5), (29, 5)):
        due = datetime(2027, 3, day, hour, 30, tzinfo=UTC)
        assert plan.due(due) == due
        assert plan.date_of(due) == f"2027-03-{day}"


TOML = (
    station_toml("north-3")
    + """
[morning]
at = "07:30"
zone = "Europe/Berlin"
days = "1-5"
checks_start = "06:45"
stations = ["north-*"]
[[morning.to]]
name = "teachers"
mail = ["ida@harbour.example", "ben@harbour.example"]
from = "benches@harbour.example"
server = "mail.harbour.example:587"
user = "benches"
password_env = "BENCH_MAIL_PASSWORD"
[[morning.to]]
name = "board"
webhook = "https://board.harbour.example/benches"
secret_file = "board.secret"
"""
)


def test_the_plan_stands_in_the_stations_file(tmp_path: Path) -> None:
    """Hours, zone, days, stations, and whom it is sent to; paths count from the file."""
    path = tmp_path / "stations.toml"
    path.write_text(TOML)
    assert load_stations(path)[0].name == "north-3"
    plan = read_morning(path)
    assert plan is not None
    assert (plan.at, plan.zone, plan.days, plan.stations) == ("07:30", "Europe/Berlin", "1-5", ("north-*",))
    mail, hook = plan.to
    assert isinstance(mail, MailTarget)
    assert (mail.host, mail.port, mail.security, len(mail.to)) == ("mail.harbour.example", 587, "starttls", 2)
    assert isinstance(hook, WebhookTarget)
    assert hook.secret.file == str(tmp_path / "board.secret")
    path.write_text(TOML.split("[morning]")[0])
    assert read_morning(path) is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('at = "07:30"', 'at = "7.30"', "07:30"),
        ('at = "07:30"', 'att = "07:30"', "did you mean 'at'"),
        ('zone = "Europe/Berlin"', 'zone = "Harbour"', "Europe/Berlin"),
        ('days = "1-5"', 'days = "weekdays"', "cron"),
        ('stations = ["north-*"]', 'stations = ["east-*"]', "no station is called east"),
        ('server = "mail.harbour.example:587"', 'server = "mail"', "587"),
        ('user = "benches"\n', "", "go together"),
        ('user = "benches"', 'user = "benches"\nsecurity = "none"', "anybody can read"),
        ('user = "benches"', 'user = "benches"\nsecurity = "tsl"', "starttls"),
        ('password_env = "BENCH_MAIL_PASSWORD"', 'password = "Ebbe"', "did you mean 'password_env'"),
        ('secret_file = "board.secret"', "", "unsigned"),
        ('webhook = "https://', 'webhook = "ftp://', "https"),
        ('webhook = "https://', 'webhook = "https://a:b@', "password"),
        ('name = "board"', 'name = "teachers"', "two of"),
        ('mail = ["ida@harbour.example",', 'mail = ["ida",', "no address"),
        ('name = "board"', 'name = "board"\nmail = ["a@b.c"]', "either"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_with_its_place(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    """File, table and key are named; no secret is repeated."""
    path = tmp_path / "stations.toml"
    assert old in TOML
    path.write_text(TOML.replace(old, new))
    with pytest.raises(BadStationsFile) as caught:
        read_morning(path)
    assert words in str(caught.value)
    assert "morning" in str(caught.value)
    assert "Ebbe" not in str(caught.value)


def test_the_checks_of_the_morning_are_asked_for_by_themselves(tmp_path: Path) -> None:
    """At checks_start, of every station that is meant, as runs of the kind `check`."""
    clock = Hands(datetime(2027, 1, 12, 5, 40, tzinfo=UTC))
    wiring = straw_wiring(tmp_path, more={"morning": PLAN, "clock": clock})
    scheduler: Scheduler = wiring.scheduler
    scheduler.take_over_file()
    scheduler.tick()
    assert list(wiring.store.newest_first()) == []
    clock.now = datetime(2027, 1, 12, 5, 45, 1, tzinfo=UTC)
    scheduler.tick()
    scheduler.tick()
    asked = {(run.station, run.kind, run.schedule) for run in wiring.store.newest_first()}
    assert asked == {(name, "check", "morning-checks") for name in NAMES}
    wiring.close()
