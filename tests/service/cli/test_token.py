"""`benchwarden token` and `benchwarden audit`: on the database, beside a running service or without one."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from service.access.access import Access, Credentials
from service.access.tokens import SECRET
from service.cli.main import run
from service.database import Database


def told(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> tuple[str, str]:
    assert run(words) == code
    captured = capsys.readouterr()
    return captured.out, captured.err


def test_a_token_is_made_listed_and_revoked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The secret stands alone on standard output, once; the list and the audit never show it."""
    where = ("--data", str(tmp_path))
    secret, words = told(
        capsys, "token", "make", "Ada", "--role", "submitter", "--stations", "north-*", "--days", "9", *where
    )
    assert SECRET.fullmatch(secret.strip())
    assert "once" in words
    shown, _ = told(capsys, "token", "list", *where)
    assert "Ada" in shown
    assert "north-*" in shown
    assert secret.strip() not in shown
    (row,) = json.loads(told(capsys, "token", "list", "--json", *where)[0])["tokens"]
    assert (row["role"], row["stations"], row["state"]) == ("submitter", ["north-*"], "alive")
    assert "opens nothing" in told(capsys, "token", "revoke", row["id"], *where)[0]
    (row,) = json.loads(told(capsys, "token", "list", "--json", *where)[0])["tokens"]
    assert row["state"].startswith("was revoked")
    audit, _ = told(capsys, "audit", "--last", "9", *where)
    assert audit.index("token make") < audit.index("token revoke") < audit.index("whole: 2 rows")
    assert secret.strip() not in audit


def test_a_token_in_json_works_at_the_door(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """One document with the secret in it."""
    made = json.loads(
        told(capsys, "token", "make", "boss", "--role", "admin", "--json", "--data", str(tmp_path))[0]
    )
    database = Database(f"sqlite:///{tmp_path / 'benchwarden.db'}")
    caller = Access(database).caller(Credentials(made["token"], None, "127.0.0.1"))
    database.close()
    assert (caller.id, caller.role) == (made["id"], "admin")


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("make", "Ada", "--role", "boss"), "viewer, submitter"),
        (("make", "", "--role", "viewer"), "name"),
        (("revoke", "ffffffff"), "no token"),
    ],
)
def test_what_makes_no_sense_is_bad_usage(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], reason: str
) -> None:
    """Exit code 2 and a sentence."""
    assert reason in told(capsys, "token", *words, "--data", str(tmp_path), code=2)[1]


def test_a_broken_audit_is_exit_code_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """With the row named; whole before."""
    where = ("--data", str(tmp_path))
    for name in ("Ada", "Grace", "boss"):
        told(capsys, "token", "make", name, "--role", "viewer", *where)
    head = json.loads(told(capsys, "audit", "--json", *where)[0])["head"]
    told(capsys, "audit", "--head", head, *where)
    with sqlite3.connect(tmp_path / "benchwarden.db") as file:
        file.execute("DROP TRIGGER audit_no_update")
        file.execute("UPDATE audit SET who = 'nobody' WHERE number = 2")
    file.close()
    assert "row 2" in told(capsys, "audit", *where, code=1)[1]
    assert not json.loads(told(capsys, "audit", "--json", *where, code=1)[0])["whole"]
