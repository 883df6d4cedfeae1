"""The console in the daemon: who comes in first, what ``heatbook check`` says of it, it running."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
import structlog
from structlog.testing import capture_logs

from alerts.policy import Policy
from deploy.around import Around, around_of, sizes_of
from deploy.clock import wall_ms
from deploy.companions import companions_of
from deploy.database import Database
from deploy.sections import Store
from deploy.settings import Loaded, Settings
from deploy.web.findings import web_findings
from deploy.web.section import Web
from models.fleet import Fleet
from review.access import accounts
from review.access.passwords import ONE_TIME_MS
from review.access.visitor import Role
from tests.alerts.far_side import free_port, until
from tests.deploy.settings_files import load
from tests.review.front_door import form_secret


@pytest.fixture(autouse=True)
def _logs_as_at_first() -> None:
    """Commands that other tests ran in this process have set logging up for themselves."""
    structlog.reset_defaults()


@contextmanager
def running(folder: Path, web: Web) -> Iterator[str]:
    settings = Settings(store=Store(path=folder / "heatbook.db"), web=web)
    database = Database(settings.store.path, synchronous="off")
    beside = companions_of(settings, Fleet(), database, Policy(), wall_ms, Around())
    for each in beside:
        each.start()
    url = f"http://127.0.0.1:{web.port}"
    until(lambda: _answers(url))
    try:
        yield url
    finally:
        for each in beside:
            each.stop()
        database.close()


def _answers(url: str) -> bool:
    try:
        return httpx.get(f"{url}/robots.txt").status_code == 200
    except httpx.TransportError:
        return False


def test_the_first_start_makes_one_manager_and_prints_the_password_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with capture_logs() as logged, running(tmp_path, Web(port=free_port())) as url:
        said = capsys.readouterr()
        found = re.search(r"Name: manager  one-time password: (\S+)", said.out)
        assert found is not None
        # Logs are sent on and kept: a password has no place in them.
        assert found[1] not in said.err
        assert found[1] not in str(logged)
        assert {"event": "account.first_made", "account": "manager"}.items() <= next(
            each for each in logged if each["event"] == "account.first_made"
        ).items()
        with httpx.Client(base_url=url, follow_redirects=True) as client:
            secret = form_secret(client.get("/").text)
            fields = {
                "csrf": secret,
                "name": "manager",
                "password": found[1],
                "next": "/system",
            }
            page = client.post("/sign-in", data=fields)
            assert page.url.path == "/sign-in/password"
            chosen = "rain on the north yard"
            fields = {"csrf": form_secret(page.text), "next": "/system"}
            page = client.post(
                "/sign-in/password", data={**fields, "password": chosen, "again": chosen}
            )
            assert (page.url.path, page.status_code) == ("/system", 200)
            assert str(tmp_path) not in page.text  # no Around was given
            assert client.get("/api/v1/system").status_code == 200
        assert httpx.get(f"{url}/api/v1/system").status_code == 401
    with running(tmp_path, Web(port=free_port())):
        assert "one-time" not in capsys.readouterr().out


def test_a_store_that_has_an_account_gets_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        accounts.add(tx, "Ines", Role.VIEWER, "x", now_ms=0, one_time_until_ms=None)
    database.close()
    with running(tmp_path, Web(port=free_port())):
        pass
    assert "one-time" not in capsys.readouterr().out


def test_the_console_can_be_turned_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with running(tmp_path, Web(port=free_port(), console=False)) as url:
        for path in ("/", "/sign-in", "/api/v1/system", "/static/console.css"):
            assert httpx.get(url + path).status_code == 404
        assert httpx.get(f"{url}/answer/x").status_code == 404
        assert httpx.post(f"{url}/sign-in").status_code == 404
    assert "one-time" not in capsys.readouterr().out


def test_sessions_last_as_the_settings_say(tmp_path: Path) -> None:
    loaded = load(tmp_path, "[web]\nsession_idle_hours = 8\nsession_days = 2\n")
    assert loaded.settings.web is not None
    rules = loaded.settings.web.session_rules()
    assert (rules.idle_ms, rules.longest_ms) == (8 * 3_600_000, 2 * 86_400_000)


@pytest.mark.parametrize(
    ("web", "private"),
    [
        ({}, True),
        ({"bind": "::1"}, True),
        ({"bind": "localhost"}, True),
        ({"bind": "0.0.0.0"}, False),  # noqa: S104 - what is looked at
        ({"bind": "192.0.2.7"}, False),
        ({"bind": "192.0.2.7", "public_url": "https://fleet.northfold.example"}, True),
        (
            {"bind": "::", "public_url": "http://fleet.northfold.example", "plain_http": True},
            False,
        ),
    ],
)
def test_who_could_read_along_is_known(web: dict[str, object], private: bool) -> None:
    assert Web.model_validate(web).private is private


def findings(tmp_path: Path, **web: object) -> list[tuple[str, str]]:
    settings = Settings(store=Store(path=tmp_path / "heatbook.db"), web=Web.model_validate(web))
    return _said(Loaded(settings=settings, file=None))


def _said(loaded: Loaded) -> list[tuple[str, str]]:
    return [(each.level, f"{each.what} {each.mend}") for each in web_findings(loaded)]


def test_check_says_how_the_console_is_reached(tmp_path: Path) -> None:
    port = free_port()
    said = findings(tmp_path, port=port)
    assert [level for level, _ in said] == ["good"] * 3
    assert f"port {port} is free" in said[0][1]
    assert f"from this machine alone, at http://127.0.0.1:{port}/" in said[1][1]
    assert "nobody has an account" in said[2][1]
    assert _said(Loaded(settings=Settings(), file=None)) == [
        ("good", "no web server: no console, and no links in notices; [web] adds one ")
    ]


def test_check_warns_where_passwords_cross_the_network_in_the_clear(tmp_path: Path) -> None:
    open_ = findings(tmp_path, port=free_port(), bind="0.0.0.0")  # noqa: S104
    assert [text for level, text in open_ if level == "caution"] != []
    assert "in the clear" in open_[1][1]
    plain = findings(
        tmp_path, port=free_port(), public_url="http://fleet.northfold.example", plain_http=True
    )
    assert ("caution", True) in [(level, "in the clear" in text) for level, text in plain]
    behind = findings(tmp_path, port=free_port(), public_url="https://fleet.northfold.example")
    assert [level for level, _ in behind] == ["good"] * 3


def test_check_finds_a_port_that_another_has(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        # It takes connections and says nothing: not a Heatbook.
        said = findings(tmp_path, port=other.getsockname()[1])
    assert said[0][0] == "fault"
    assert "Address already in use Stop the other program" in said[0][1]
    assert findings(tmp_path, port=free_port(), bind="203.0.113.9")[0][0] == "fault"


def test_check_knows_the_daemon_by_its_answer(tmp_path: Path) -> None:
    port = free_port()
    with running(tmp_path, Web(port=port)):
        said = findings(tmp_path, port=port)
    assert (said[0][0], "the daemon listens there" in said[0][1]) == ("good", True)
    assert "1 account lets somebody in" in said[-1][1]


def test_check_says_when_no_manager_can_come_in(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        now_ms = wall_ms()
        until_ms = now_ms - ONE_TIME_MS
        accounts.add(tx, "Ines", Role.MANAGER, "x", now_ms=0, one_time_until_ms=until_ms)
        accounts.add(tx, "Kim", Role.VIEWER, "x", now_ms=0, one_time_until_ms=None)
    database.close()
    level, text = findings(tmp_path, port=free_port())[-1]
    assert (level, "no manager can sign in" in text) == ("fault", True)
    assert "heatbook accounts new-password" in text


def test_what_a_store_takes_up_is_looked_at(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(
        '[vehicles.NF-01]\ngroups = ["yard", "quarry"]\n[vehicles.NF-02]\ngroups = ["yard"]\n'
    )
    loaded = load(
        tmp_path,
        f'[store]\npath = "{tmp_path / "heatbook.db"}"\n[fleet]\nfile = "fleet.toml"\n',
    )
    around = around_of(loaded)
    assert around.groups == {
        "quarry": frozenset({"NF-01"}),
        "yard": frozenset({"NF-01", "NF-02"}),
    }
    assert around.installation.fleet_file == str(tmp_path / "fleet.toml")
    before = around.installation.sizes()
    assert (before.database, before.log, before.archive) == (None, None, 0)
    Database(tmp_path / "heatbook.db").close()
    folder = tmp_path / "archive" / "NF-01"
    folder.mkdir(parents=True)
    (folder / "2026-01").write_bytes(b"x" * 1000)
    after = around.installation.sizes()
    assert after.database == (tmp_path / "heatbook.db").stat().st_size
    assert after.archive == 1000
    assert after.free is not None
    assert after.free > 0
    gone = sizes_of(tmp_path / "no" / "such" / "heatbook.db")
    assert gone == replace(gone, database=None, log=None, archive=None, free=None)
