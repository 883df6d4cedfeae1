"""The settings: where they come from, and which of two counts."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from alerts.channels import LogSettings, SmtpSettings, WebhookSettings
from deploy.courses import courses_by
from deploy.keys import ANY_NAME, leaves
from deploy.observe_sections import Health
from deploy.settings import BadSettings, Settings, describe, load_settings
from deploy.web.section import Web
from ingest.wire import WireRules
from models.fleet import Fleet
from models.transition import Priority
from models.units import Units
from tests.deploy.settings_files import fill, load

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example-heatbook.toml"
SIGNING = "whsec_bm9ydGhmb2xkLWV4YW1wbGUtc2VjcmV0LW5vdC1yZWFs"


def test_without_any_file_the_defaults_hold() -> None:
    loaded = load_settings(env={}, search=())
    assert loaded.settings == Settings()
    assert (loaded.file, loaded.warnings) == (None, ())
    assert loaded.settings.wire.rules() == WireRules()
    assert loaded.settings.channels() == {"log": LogSettings()}


def test_the_real_environment_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HEATBOOK_MQTT__PORT", "1")
    monkeypatch.setenv("MQTT", '{"port": 1}')
    assert load_settings(env={}, search=()).settings.mqtt.port == 1883


def test_the_first_file_that_exists_is_read(tmp_path: Path) -> None:
    first, second, named = (tmp_path / name for name in ("a.toml", "b.toml", "c.toml"))
    for port, file in enumerate((second, named), start=1):
        file.write_text(f"[mqtt]\nport = {port}\n")
    search = (first, second)
    assert load_settings(env={}, search=search).settings.mqtt.port == 1
    env = {"HEATBOOK_CONFIG": str(named)}
    assert load_settings(env=env, search=search).settings.mqtt.port == 2
    loaded = load_settings(config=second, env=env, search=search)
    assert (loaded.settings.mqtt.port, loaded.file) == (1, second)


def test_precedence_key_by_key(tmp_path: Path) -> None:
    credentials = fill(tmp_path / "credentials", {"mqtt__password": "c\n", "mqtt__port": "3"})
    loaded = load(
        tmp_path,
        '[mqtt]\nhost = "file"\nusername = "file"\nport = 5\nkeepalive_s = 5\n'
        "receive_maximum = 5\n",
        env={
            "HEATBOOK_MQTT__USERNAME": "env",
            "HEATBOOK_MQTT__KEEPALIVE_S": "1",
            "CREDENTIALS_DIRECTORY": str(credentials),
        },
        secrets={"mqtt__username": "secrets", "mqtt__port": "2"},
        overrides={"mqtt": {"keepalive_s": 9}},
    )
    mqtt = loaded.settings.mqtt
    assert mqtt.keepalive_s == 9
    assert mqtt.username == "env"
    assert mqtt.port == 2
    assert mqtt.password is not None
    assert mqtt.password.get_secret_value() == "c"
    assert (mqtt.host, mqtt.receive_maximum) == ("file", 5)


def test_lists_and_nested_tables_from_the_environment(tmp_path: Path) -> None:
    settings = load(
        tmp_path,
        "",
        {
            "HEATBOOK_MQTT__FILTERS": "a/+/telemetry b/#",
            "HEATBOOK_MQTT__TLS__CA_FILE": "/ca.pem",
            "HEATBOOK_FLEET__UNITS__TEMPERATURE": "F",
            "HEATBOOK_ALERTS__WEBHOOKS__DESK__URL": "https://hooks.example/x",
            "HEATBOOK_ALERTS__WEBHOOKS__DESK__SECRETS": f'["{SIGNING}"]',
            "HEATBOOK_ALERTS__WEBHOOKS__DESK__MIN_PRIORITY": "high",
        },
    ).settings
    assert settings.mqtt.filters == ("a/+/telemetry", "b/#")
    assert settings.mqtt.tls is not None
    assert settings.mqtt.tls.ca_file == Path("/ca.pem")
    assert settings.fleet.units.units(UTC) == Units(temperature="F")
    assert settings.channels()["webhook:desk"] == WebhookSettings(
        url="https://hooks.example/x", secrets=(SIGNING,), min_priority=Priority.HIGH
    )


def test_mail_settings_reach_the_channel(tmp_path: Path) -> None:
    word = "p w"
    text = (
        '[alerts.smtp]\nhost = "mail.example"\nusername = "u"\nsender = "a@b.example"\n'
        'recipients = ["c@d.example"]\nmin_priority = "medium"\n'
    )
    loaded = load(tmp_path, text, secrets={"alerts__smtp__password": f"{word}\n"})
    assert loaded.settings.channels()["smtp"] == SmtpSettings(
        host="mail.example",
        username="u",
        password=word,
        sender="a@b.example",
        recipients=("c@d.example",),
        min_priority=Priority.MEDIUM,
    )


def test_secrets_are_never_shown(tmp_path: Path) -> None:
    secrets = {
        "mqtt__password": "hush1",
        "alerts__webhooks__desk__url": "https://hush2.example/hush3",
        "alerts__webhooks__desk__secrets": SIGNING,
    }
    text = '[mqtt]\nusername = "u"\n'
    settings = load(tmp_path, text, secrets=secrets).settings
    for shown in (describe(settings), repr(settings), repr(settings.channels())):
        assert not re.search("hush|whsec", shown)
    assert "mqtt.password = ********" in describe(settings)
    assert 'mqtt.username = "u"' in describe(settings)
    bad = '[mqtt]\nport = "x"\npassword = ["hush"]\n[alerts.webhooks.d]\nurl = ["hush"]\n'
    with pytest.raises(BadSettings) as caught:
        load(tmp_path, bad)
    assert "hush" not in str(caught.value)


def test_a_secret_in_a_file_for_everybody_is_a_warning(tmp_path: Path) -> None:
    file = tmp_path / "open.toml"
    file.write_text('[mqtt]\nusername = "u"\npassword = "p"\n')
    file.chmod(0o644)
    (warning,) = load_settings(config=file, env={}).warnings
    assert warning.warning
    assert warning.path.endswith("mqtt.password")
    file.chmod(0o640)
    assert load_settings(config=file, env={}).warnings == ()


def test_a_password_in_the_clear_is_a_warning(tmp_path: Path) -> None:
    text = '[mqtt]\nhost = "broker.example"\nusername = "u"\npassword = "p"\n'
    (warning,) = load(tmp_path, text).warnings
    assert (warning.path, warning.warning) == ("mqtt.tls", True)
    assert load(tmp_path, text + "[mqtt.tls]\n").warnings == ()


def test_the_allowed_rate_of_false_alarms_reaches_the_balance(tmp_path: Path) -> None:
    loaded = load(tmp_path, "[diagnosis]\nfalse_alarms_per_driving_hour = 1e-3\n")
    course = courses_by(loaded.settings, Fleet())("NF-01", ())
    assert course.params[0]["thermal"]["false_alarms_per_h"] == 1e-3


def test_the_example_is_the_defaults_with_console_and_health() -> None:
    loaded = load_settings(config=EXAMPLE, env={})
    assert loaded.settings == Settings(web=Web(), health=Health())
    assert loaded.warnings == ()


def test_the_example_holds_every_setting() -> None:
    table = tomllib.loads(uncommented(EXAMPLE.read_text(encoding="utf-8")))
    assert paths(table, ()) == {tuple(path) for path in leaves(Settings)}


def test_the_example_works_with_everything_switched_on(tmp_path: Path) -> None:
    text = uncommented(EXAMPLE.read_text(encoding="utf-8"))
    settings = load(tmp_path, text).settings
    assert set(settings.channels()) == {
        "log",
        "smtp",
        "webhook:dispatch",
        "relay:sms",
        "advice",
    }


NAMED = {("alerts", "webhooks"), ("alerts", "relays")}
"""Tables whose keys are names that people choose."""


def uncommented(text: str) -> str:
    return re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text)


def paths(table: Mapping[str, Any], path: tuple[str, ...]) -> set[tuple[str, ...]]:
    found: set[tuple[str, ...]] = set()
    for name, value in table.items():
        part = ANY_NAME if path in NAMED else name
        deeper = (*path, part)
        found |= paths(value, deeper) if isinstance(value, dict) else {deeper}
    return found
