"""No secret comes out: not in what is said, logged, stored, shown or started, however the far sides fail."""

from __future__ import annotations

import json
import os
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import structlog
import trustme
import typer
from aiosmtpd.smtp import AuthResult
from typer.testing import CliRunner

from alerts.report import ReportText, post_report
from deploy import logs
from deploy.broker import start_broker
from deploy.cli import app
from deploy.clock import wall_ms
from deploy.database import Database, read_only
from deploy.settings import SECRET_PATHS, describe, load_settings
from review.access import tokens
from review.access.tokens import Scope
from review.problems import BadSettings
from tests.alerts.far_side import MailSide, free_port, mail_side, reply, until, web_side
from tests.brokers import need_mosquitto
from tests.deploy.canaries import BASE, NAME, Canary, planted, secrets_in

DESTINATIONS = ("smtp", f"webhook:{NAME}", f"relay:{NAME}")

LOUD = (
    "import logging; logging.basicConfig(level=logging.DEBUG); import heatbook; heatbook.main()"
)
"""The command, with every note that any library takes."""


@dataclass
class Place:
    """An installation whose far sides refuse it, and what it keeps to itself."""

    folder: Path
    canaries: list[Canary]
    env: dict[str, str]
    web: int

    @property
    def config(self) -> Path:
        return self.folder / "heatbook.toml"

    @property
    def store(self) -> Path:
        return self.folder / "heatbook.db"

    def seen(self, data: bytes | str) -> list[str]:
        """Name the secrets that stand in this."""
        raw = data if isinstance(data, bytes) else data.encode()
        return [".".join(each.path) for each in self.canaries if each.seen_in(raw)]


def refuses(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
    return AuthResult(success=False, handled=False, message="535 not you")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    need_mosquitto()
    folder = tmp_path_factory.mktemp("canaries")
    authority = trustme.CA()
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost", "127.0.0.1").configure_cert(context)
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    users = folder / "users"
    users.touch(mode=0o600)
    words = [_passwords(), "-b", str(users), "heatbook", "another password"]
    subprocess.run(words, check=True, capture_output=True)  # noqa: S603 - our own
    with ExitStack() as far:
        broker = start_broker(
            "mosquitto",
            directory=folder / "broker",
            lines=("allow_anonymous false", f"password_file {users}"),
        )
        far.callback(broker.stop)
        mail = free_port()
        how = {"ssl_context": context, "authenticator": refuses, "auth_require_tls": False}
        far.enter_context(mail_side(MailSide(), mail, **how))
        side = far.enter_context(web_side())
        # Of the history's server it is the token that is wrong, of the others all.
        side.answer = lambda it: reply(it, 401 if it.path.startswith("/api/v2") else 500)
        canaries = planted(side.port)
        web = free_port()
        kept = secrets_in(folder / "secrets", canaries)
        place = Place(
            folder,
            canaries,
            {"HEATBOOK_SECRETS": str(kept), "SSL_CERT_FILE": str(folder / "ca.pem")},
            web,
        )
        place.config.write_text(
            BASE.format(broker=broker.port, mail=mail, web=web, folder=folder, far=side.port)
        )
        yield place


def _passwords() -> str:
    found = shutil.which("mosquitto_passwd")
    assert found, "it comes with mosquitto"
    return found


def test_there_is_a_canary_for_every_secret_and_the_search_finds_it(place: Place) -> None:
    assert {each.path for each in place.canaries} == set(SECRET_PATHS)
    assert len(SECRET_PATHS) >= 5
    loaded = load_settings(config=place.config, env=place.env)
    shown = json.dumps(loaded.settings.model_dump(mode="python"), default=_opened)
    assert place.seen(shown) == [".".join(each) for each in SECRET_PATHS]


def _opened(value: Any) -> Any:
    return value.get_secret_value() if hasattr(value, "get_secret_value") else str(value)


def test_settings_show_none_of_them(place: Place) -> None:
    settings = load_settings(config=place.config, env=place.env).settings
    for text in (
        repr(settings),
        str(settings),
        describe(settings),
        settings.model_dump_json(),
        repr(settings.channels()),
        "".join(map(str, settings.channels().values())),
    ):
        assert place.seen(text) == []


@pytest.mark.parametrize("path", SECRET_PATHS, ids=".".join)
@pytest.mark.parametrize(
    "written", ['["{}", 7]', '"{}"', '{{ x = "{}" }}', '"{}\\u0001 "', "7{}", '"{}']
)
@pytest.mark.parametrize("above", [0, 1, 2])
def test_no_mistake_in_the_settings_repeats_one(
    tmp_path: Path, path: tuple[str, ...], written: str, above: int
) -> None:
    """Each of a wrong kind, or in place of the whole table that it belongs in, or not TOML at all."""
    (canary,) = [each for each in planted(1) if each.path == path]
    names = [NAME if part == "*" else part for part in path]
    *tables, key = names[: len(names) - above] or names[:1]
    head = f"[{'.'.join(tables)}]\n" if tables else ""
    file = tmp_path / "heatbook.toml"
    file.write_text(f"{head}{key} = {written.format(canary.text)}\n")
    said = None
    with suppress(BadSettings):
        try:
            load_settings(config=file, env={})
        except BadSettings as error:
            said = f"{error}{error.__cause__!r}"
            raise
    assert said is None or not canary.seen_in(said.encode()), said


@pytest.mark.parametrize("terminal", [True, False])
def test_what_a_crash_held_is_not_told(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Some ways to write a traceback show the values of every function in it."""
    canary = planted(1)[0]

    def crashes(password: str) -> None:
        assert password, "held while it crashes"
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    before = structlog.get_config()
    logs.set_up()
    try:
        crashes(canary.text)
    except RuntimeError:
        structlog.get_logger().exception("task.crashed")
    structlog.configure(**before)
    said = capsys.readouterr().err
    assert "a fault of ours" in said
    assert "crashes" in said
    assert not canary.seen_in(said.encode())


def leaves(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Give the words of every command there is."""
    if hasattr(command, "commands"):
        for name, each in command.commands.items():
            yield from leaves(each, (*words, name))
    else:
        given = [_filled(each.name or "") for each in command.params if _needed(each)]
        configured = any("--config" in each.opts for each in command.params)
        yield (*words, *(["--config", "CONFIG"] if configured else []), *given)


def _needed(param: Any) -> bool:
    return param.param_type_name == "argument" and bool(param.required)


def _filled(name: str) -> str:
    return "x.csv" if "file" in name.lower() else "NF-01"


ENDLESS = {"serve", "demo", "simulate"}
"""Commands that run until told to stop; the first is what the other test runs."""

COMMANDS = [each for each in leaves(typer.main.get_command(app)) if each[0] not in ENDLESS]


def test_no_command_says_one(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(COMMANDS) > 40
    Database(place.store).close()
    monkeypatch.chdir(place.folder)
    runner = CliRunner()
    said = {}
    for words in [*COMMANDS, ("check", "--config", "CONFIG", "--notice")]:
        filled = [str(place.config) if word == "CONFIG" else word for word in words]
        done = runner.invoke(app, filled, env={**place.env, "COLUMNS": "200"})
        said[words] = f"{done.output}\n{done.stderr}\n{done.exception!r}"
    assert {words: place.seen(text) for words, text in said.items() if place.seen(text)} == {}
    assert _files(place) == {}
    trial = said["check", "--config", "CONFIG", "--notice"]
    assert all(word in trial for word in ("535", "500", "smtp", "webhook", "relay")), trial


def _files(place: Place) -> dict[str, list[str]]:
    """Look into all that was written: exports, copies, logs; not where the secrets themselves are kept."""
    files = [file for file in place.folder.rglob("*") if file.is_file()]
    written = [file for file in files if file.parent.name != "secrets"]
    assert len(written) > 3
    return {
        file.name: place.seen(file.read_bytes())
        for file in written
        if place.seen(file.read_bytes())
    }


def test_no_daemon_lets_one_out(place: Place) -> None:
    token = _prepared(place.store)
    log = place.folder / "daemon.log"
    clean = {name: value for name, value in os.environ.items() if "HEATBOOK_" not in name}
    with log.open("wb") as out:
        daemon = subprocess.Popen(  # noqa: S603 - our own
            [sys.executable, "-c", LOUD, "serve", "--config", str(place.config)],
            stdout=out,
            stderr=out,
            env={**clean, **place.env, "PYTHONDEVMODE": ""},
        )
    try:
        until(lambda: _tried(place.store) == set(DESTINATIONS), within_s=240)
        until(lambda: b"broker.lost" in log.read_bytes(), within_s=60)
        until(lambda: b"influx." in log.read_bytes(), within_s=60)
        until(lambda: _serves(place.web), within_s=60)
        assert daemon.poll() is None
        answers = _pages(place.web, token)
        processes = _processes(daemon.pid)
    finally:
        daemon.terminate()
        daemon.wait(120)
    with read_only(place.store) as conn:
        errors = str(conn.execute("SELECT last_error FROM sending").fetchall())
    assert "535" in errors, errors
    assert errors.count("500") == 2, errors
    assert _files(place) == {}
    assert place.seen(processes) == []
    assert len(answers) > 5
    assert {path: place.seen(text) for path, text in answers.items() if place.seen(text)} == {}


def _prepared(store: Path) -> str:
    """Leave a report for every far side, and give a token for the API."""
    database = Database(store)
    now_ms = wall_ms()
    with database.write() as tx:
        for name in DESTINATIONS:
            report = ReportText(name=f"{name}:1", subject="The day", short="s", body="b")
            post_report(tx, report, destination=name, now_ms=now_ms)
        token = tokens.make(
            tx, "screen", [Scope.READ], by="Ines", now_ms=now_ms, ends_ms=now_ms + 86_400_000
        )
    database.close()
    return token


def _tried(store: Path) -> set[str]:
    with read_only(store) as conn:
        rows = conn.execute("SELECT destination FROM sending WHERE last_error <> ''")
        return {row[0] for row in rows}


def _serves(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/sign-in", timeout=60).status_code == 200
    except httpx.TransportError:
        return False


def _pages(port: int, token: str) -> dict[str, str]:
    """Read all of the API that needs no name, and what strangers see."""
    with httpx.Client(
        base_url=f"http://127.0.0.1:{port}",
        headers={"Authorization": f"Bearer {token}"},
        timeout=120,
    ) as client:
        described = client.get("/api/v1/openapi.json").json()
        found = [path for path, how in described["paths"].items() if "get" in how]
        plain = [path for path in found if "{" not in path]
        whole = [path if path.startswith("/api") else f"/api/v1{path}" for path in plain]
        whole += ["/healthz", "/readyz", "/metrics", "/sign-in", "/nowhere"]
        return {path: client.get(path).text for path in whole}


def _processes(pid: int) -> bytes:
    """Give what the process list shows of a process and its children, and the children's environment."""
    shown = Path(f"/proc/{pid}/cmdline").read_bytes()
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            shown += Path(f"/proc/{child}/environ").read_bytes() + _processes(int(child))
    return shown
