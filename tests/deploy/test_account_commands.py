"""``heatbook accounts``: at the machine itself, beside a running daemon and without one."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.database import Database, StoreError, read_only
from review.access import accounts, audit, sessions
from review.access.passwords import Passwords
from review.access.sessions import Rules
from review.access.visitor import Role
from review.problems import Mistake


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "heatbook.toml").write_text(f'[store]\npath = "{tmp_path / "heatbook.db"}"\n')
    return tmp_path


def run(folder: Path, *words: str) -> str:
    where = ("--config", str(folder / "heatbook.toml"))
    done: Any = CliRunner().invoke(app, ["accounts", *words, *where], env={"COLUMNS": "200"})
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return re.sub(r"\s+", " ", done.output)


def given(said: str) -> str:
    found = re.search(r"One-time password of [^:]+: (\S+)", said)
    assert found is not None, said
    return found[1]


def test_an_account_is_added_before_the_daemon_ever_ran(folder: Path) -> None:
    password = given(run(folder, "add", "Ines", "--role", "manager"))
    with read_only(folder / "heatbook.db") as conn:
        account = accounts.named(conn, "ines")
        (line,) = audit.lines(conn)
    assert (account.role, account.one_time) == (Role.MANAGER, True)
    assert Passwords().fits(account.password, password)
    assert (line.what, line.about) == ("account.added", "Ines, manager")
    assert line.who.endswith(", at the machine")
    listed = run(folder, "list")
    assert "Ines manager" in listed
    assert "password not chosen yet" in listed
    assert password not in listed


@pytest.mark.parametrize("daemon", [False, True], ids=["alone", "beside the daemon"])
def test_all_that_can_be_done(folder: Path, daemon: bool) -> None:
    run(folder, "add", "Ines", "--role", "manager")
    running = Database(folder / "heatbook.db") if daemon else None
    first = given(run(folder, "add", "Omar"))
    assert "Omar is viewer now" in run(folder, "role", "omar", "viewer")
    with read_only(folder / "heatbook.db") as conn:
        omar = accounts.named(conn, "Omar")
    assert omar.role is Role.VIEWER
    second = given(run(folder, "new-password", "OMAR"))
    assert first != second
    assert "comes in no more" in run(folder, "disable", "Omar")
    assert "disabled" in run(folder, "list")
    assert "may come in again" in run(folder, "enable", "Omar")
    if running is not None:
        running.close()
    with read_only(folder / "heatbook.db") as conn:
        told = [each.what for each in reversed(audit.lines(conn))]
        omar = accounts.named(conn, "Omar")
    assert told == [
        "account.added",
        "account.added",
        "account.role_changed",
        "password.given",
        "account.disabled",
        "account.enabled",
    ]
    assert Passwords().fits(omar.password, second)


def test_whoever_is_disabled_or_given_a_password_is_signed_out(folder: Path) -> None:
    for name, command in (("Omar", "disable"), ("Kim", "new-password")):
        run(folder, "add", name, "--role", "viewer")
        database = Database(folder / "heatbook.db")
        with database.write() as tx:
            owner = accounts.named(tx, name)
            sessions.begin(tx, owner.id, Rules(), now_ms=0)
            (begun,) = tx.execute("SELECT count(*) FROM session").fetchone()
        database.close()
        assert begun == 1
        run(folder, command, name)
        with read_only(folder / "heatbook.db") as conn:
            assert conn.execute("SELECT count(*) FROM session").fetchone() == (0,)


def test_what_cannot_be_done_is_said(folder: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        run(folder, "new-password", "manager")
    assert not (folder / "heatbook.db").exists()
    Database(folder / "heatbook.db").close()
    with pytest.raises(Mistake, match="nobody has an account yet"):
        run(folder, "new-password", "manager")
    run(folder, "add", "Ines", "--role", "manager")
    with pytest.raises(Mistake, match="nearest known name is 'Ines'"):
        run(folder, "disable", "Inez")
    with pytest.raises(Mistake, match="Ines is the only manager"):
        run(folder, "disable", "ines")
    with pytest.raises(Mistake, match="Ines is the only manager"):
        run(folder, "role", "ines", "viewer")
    with pytest.raises(Mistake, match="there is an account named 'Ines'"):
        run(folder, "add", "INES")


def test_a_store_from_before_there_were_accounts_has_nobody(folder: Path) -> None:
    Database(folder / "heatbook.db").close()
    assert "Nobody. The daemon makes a first manager" in run(folder, "list")
