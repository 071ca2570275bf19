"""The audit is a chain: one changed byte is found, wherever it is; rows are only ever added."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.access.access import Access
from service.access.audit import Audit
from service.access_tables import audit as table
from service.database import Database
from service.intake import command_run
from service.plans import Send
from tests.service.bench_of_straw import straw_wiring

COLUMNS = [c.name for c in table.columns if c.name != "number"]


def fill(access: Access, rows: int = 5) -> None:
    for n in range(rows):
        access.audit.add(
            f"token{n}", "POST /tokens", f"/api/v1/tokens/{n}", address="192.0.2.7", name=f"Ada {n}"
        )


def without_triggers(access: Access) -> None:
    """What somebody with the database in hands would do first."""
    with access.database.changing() as connection:
        if connection.dialect.name == "sqlite":
            for what in ("update", "delete"):
                connection.execute(sa.text(f"DROP TRIGGER audit_no_{what}"))
        else:
            connection.execute(sa.text("DROP TRIGGER audit_append_only ON audit"))


def test_a_row_says_who_what_when_where_and_how_it_ended(access: Access) -> None:
    """And the chain of a few is whole."""
    row = access.audit.add(
        "3f9a1c2e", "POST /tokens", "/api/v1/tokens", address="192.0.2.7", outcome="201", name="Ada"
    )
    assert (row.number, row.at, row.who, row.outcome) == (1, "2027-01-12T06:31:08.000Z", "3f9a1c2e", "201")
    fill(access)
    found = access.audit.verify()
    assert (found.rows, found.broken_at) == (6, None)
    assert found.head == access.audit.page(None, 1)[0][0].sha256


def test_one_changed_character_in_any_column_of_any_row_is_found(access: Access) -> None:
    """Also in the hashes themselves, and in the newest row."""
    fill(access)
    without_triggers(access)
    for number in (1, 3, 5):
        for column in COLUMNS:
            before = change(access, number, column, spoilt)
            found = access.audit.verify()
            assert found.broken_at == number, (column, found)
            assert found.because
            change(access, number, column, before)
    assert access.audit.verify().broken_at is None


def spoilt(text: str) -> str:
    """One character of it is another one."""
    place = len(text) // 2
    return text[:place] + ("0" if text[place : place + 1] != "0" else "1") + text[place + 1 :]


def change(access: Access, number: int, column: str, how: Callable[[str], str] | str) -> str:
    """Returns what was there."""
    mine = table.c.number == number
    with access.database.changing() as connection:
        text: str = connection.execute(sa.select(table.c[column]).where(mine)).scalar_one()
        connection.execute(sa.update(table).where(mine).values({column: how(text) if callable(how) else how}))
    return text


@pytest.mark.parametrize("number", [1, 3])
def test_a_row_that_was_taken_out_is_found(access: Access, number: int) -> None:
    """Numbers have no gaps."""
    fill(access)
    without_triggers(access)
    with access.database.changing() as connection:
        connection.execute(sa.delete(table).where(table.c.number == number))
    assert access.audit.verify().broken_at == number


def test_rows_cut_off_at_the_end_are_found_with_a_hash_that_was_noted(access: Access) -> None:
    """Without one, what is left is a whole chain: the newest hash belongs written down elsewhere."""
    fill(access)
    noted = access.audit.verify().head
    fill(access, 1)
    assert access.audit.verify(noted).broken_at is None
    without_triggers(access)
    with access.database.changing() as connection:
        connection.execute(sa.delete(table).where(table.c.number >= 4))
    assert access.audit.verify().broken_at is None
    assert "cut off" in access.audit.verify(noted).because


@pytest.mark.parametrize("statement", ["UPDATE audit SET who = 'nobody'", "DELETE FROM audit"])
def test_the_database_itself_refuses_to_change_or_remove_a_row(access: Access, statement: str) -> None:
    """By triggers, on both databases."""
    fill(access, 2)
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), access.database.changing() as connection:
        connection.execute(sa.text(statement))
    assert access.audit.verify().rows == 2


def test_rows_that_are_added_at_once_make_one_chain(access: Access) -> None:
    """Four threads, forty rows, numbers without gaps."""
    threads = [threading.Thread(target=fill, args=(access, 10), daemon=True) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(40)
    found = access.audit.verify()
    assert (found.rows, found.broken_at) == (40, None), found


def test_whatever_text_comes_the_chain_stays_whole(access: Access) -> None:
    """NUL, half a character, very long, quotes, other scripts."""
    for text in ("a\0b", "\ud800", "x" * 5000, '"\\', "Grüße 7 ☂ 東"):
        access.audit.add(text, text, text, address=text, outcome=text, name=text)
    found = access.audit.verify()
    assert (found.rows, found.broken_at) == (5, None)


def test_a_byte_that_makes_the_row_unreadable_is_found_too(tmp_path: Path) -> None:
    """In the SQLite file: text that is no UTF-8 any more."""
    database = Database(f"sqlite:///{tmp_path / 'b.db'}")
    chain = Audit(database)
    for n in range(3):
        chain.add("ada", "POST /tokens", f"row {n}")
    database.close()
    with sqlite3.connect(tmp_path / "b.db") as file:
        file.execute("DROP TRIGGER audit_no_update")
        file.execute("UPDATE audit SET subject = CAST(x'72ff' AS TEXT) WHERE number = 2")
    file.close()
    found = chain.verify()
    database.close()
    assert found.broken_at is not None
    assert "cannot be read" in found.because


def test_pages_go_from_the_newest_to_the_oldest(access: Access) -> None:
    """Each row once; by whom, where that is asked for."""
    fill(access, 5)
    first, more = access.audit.page(None, 2)
    assert ([row.number for row in first], more) == ([5, 4], True)
    rest, more = access.audit.page(4, 5)
    assert ([row.number for row in rest], more) == ([3, 2, 1], False)
    assert [row.number for row in access.audit.page(None, 9, who="token2")[0]] == [3]


def test_a_run_of_a_command_stands_in_it_too(tmp_path: Path) -> None:
    """Who gave the command, at which machine, for which station; requests are written down at the door."""
    wiring = straw_wiring(tmp_path)
    run = command_run(wiring.station("north-1"), Send(text="Tide 7"), wiring.journal)
    (row,) = wiring.access.audit.page(None, 9)[0]
    assert (row.what, row.subject, row.outcome) == ("command echo-test", run.id, "begun")
    assert row.who.startswith("command of ")
    assert "north-1" in row.details
    wiring.store.database.close()
