"""What the demo sets up beside its trucks: a way in, settings, people, a stand-in for text messages."""

from __future__ import annotations

import socket
import sys
import webbrowser
from contextlib import closing, suppress
from pathlib import Path

import httpx
import pytest

from deploy.broker import RunningBroker
from deploy.clock import ScaledClock
from deploy.database import Database
from deploy.demo_console import USUAL_PORT, WHO, door, show
from deploy.demo_people import text_service
from deploy.demo_settings import FLEET, Told, write_settings
from deploy.fleet import fleet_of
from deploy.people_file import plan_of
from deploy.settings import load_settings
from models.transition import Priority
from review.access import accounts
from review.access.passwords import Passwords
from simulator.northfold import START_MS, fleet_file


def test_each_demo_has_a_password_of_its_own_and_one_person_who_may_sign_in(
    tmp_path: Path,
) -> None:
    first, second = door(tmp_path / "one.db"), door(tmp_path / "two.db")
    assert first.password != second.password
    with closing(Database(tmp_path / "one.db")) as database, database.read() as conn:
        (account,) = accounts.listed(conn)
    assert account.name == WHO
    assert not account.one_time
    assert Passwords().fits(account.password, first.password)
    assert not Passwords().fits(account.password, second.password)


def test_a_port_that_is_taken_is_left_to_whoever_has_it(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        with suppress(OSError):  # somebody else has it: as good
            taken.bind(("127.0.0.1", USUAL_PORT))
            taken.listen()
        made = door(tmp_path / "heatbook.db")
    assert made.port != USUAL_PORT


def test_without_a_desktop_no_browser_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []

    def open_(url: str) -> bool:
        opened.append(url)
        return True

    monkeypatch.setattr(webbrowser, "open", open_)
    monkeypatch.setattr(sys, "platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    assert not show("http://127.0.0.1:8480/")
    monkeypatch.setenv("DISPLAY", ":0")
    assert show("http://127.0.0.1:8480/")
    assert opened == ["http://127.0.0.1:8480/"]


def test_its_settings_and_people_are_such_as_a_daemon_reads(tmp_path: Path) -> None:
    (tmp_path / FLEET).write_text(fleet_file(), encoding="utf-8")
    with text_service() as texts:
        told = Told(
            broker=RunningBroker(
                kind="mosquitto", host="127.0.0.1", port=1883, directory=tmp_path, lines=()
            ),
            clock=ScaledClock(anchor_ms=START_MS, start_ms=START_MS, rate=240.0),
            door=door(tmp_path / "heatbook.db"),
            texts=texts,
        )
        loaded = load_settings(config=write_settings(tmp_path, told), env={})
        plan = plan_of(loaded)
        url = f"http://127.0.0.1:{texts}/+15550100"
        assert httpx.post(url, json={"message": "a text"}).status_code == 204
    assert loaded.settings.web is not None
    assert loaded.settings.web.port == told.door.port
    assert loaded.settings.web.bind == "127.0.0.1"
    assert set(fleet_of(loaded).vehicles) >= {"NF-01", "NF-10"}
    assert plan is not None
    assert {person.name for person in plan.people.values()} == {"Ines", "Omar", "Kim"}
    assert plan.rules[0].min_priority is Priority.HIGH
    # Nothing that the demo tells anybody can leave the machine.
    relays = loaded.settings.alerts.relays.values()
    assert [relay.url.get_secret_value().split("//")[1].split(":")[0] for relay in relays] == [
        "127.0.0.1"
    ]
