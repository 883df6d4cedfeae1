"""The settings: where they come from, which of two counts, and that no mistake is let by."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from alerts.channels import LogSettings, SmtpSettings, WebhookSettings
from deploy.keys import ANY_NAME, leaves
from deploy.settings import BadSettings, Loaded, Problem, Settings, describe, load_settings
from ingest.wire import WireRules
from models.transition import Priority

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example-heatbook.toml"
SIGNING = "whsec_bm9ydGhmb2xkLWV4YW1wbGUtc2VjcmV0LW5vdC1yZWFs"


def load(
    folder: Path,
    text: str,
    env: Mapping[str, str] | None = None,
    secrets: Mapping[str, str] | None = None,
    **more: Any,
) -> Loaded:
    file = folder / "heatbook.toml"
    file.write_text(text, encoding="utf-8")
    file.chmod(0o640)
    if secrets is not None:
        more["secrets"] = fill(folder / "secrets", secrets)
    return load_settings(config=file, env=env or {}, **more)


def fill(folder: Path, secrets: Mapping[str, str]) -> Path:
    folder.mkdir()
    for name, value in secrets.items():
        (folder / name).write_text(value, encoding="utf-8")
    return folder


def problems(
    folder: Path,
    text: str = "",
    env: Mapping[str, str] | None = None,
    secrets: Mapping[str, str] | None = None,
) -> dict[str, Problem]:
    with pytest.raises(BadSettings) as caught:
        load(folder, text, env, secrets)
    assert caught.value.exit_code == 78
    return {
        problem.path.removeprefix(f"{folder}/").removeprefix("heatbook.toml: "): problem
        for problem in caught.value.problems
    }


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
    assert settings.fleet.units.units().temperature == "F"
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


@pytest.mark.parametrize(
    ("text", "path", "near"),
    [
        ("[mqt]\nport = 1\n", "mqt", "mqtt"),
        ("[mqtt]\nprot = 1\n", "mqtt.prot", "port"),
        ('[mqtt.tls]\ncafile = "x"\n', "mqtt.tls.cafile", "ca_file"),
        ("[store]\ncommit_message = 1\n", "store.commit_message", "commit_messages"),
        ('[fleet.units]\ndistances = "km"\n', "fleet.units.distances", "distance"),
        ('[alerts.log]\npriority = "low"\n', "alerts.log.priority", "min_priority"),
    ],
)
def test_an_unknown_key_of_the_file_names_the_nearest(
    tmp_path: Path, text: str, path: str, near: str
) -> None:
    found = problems(tmp_path, text)
    assert found[path].what == "unknown key"
    assert found[path].mend == f"the nearest known key is {near!r}"


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("HEATBOOK_MQTT__PROT", "HEATBOOK_MQTT__PORT"),
        ("HEATBOOK_MQTT_HOST", "HEATBOOK_MQTT__HOST"),
        ("HEATBOOK_STORE__PATHS", "HEATBOOK_STORE__PATH"),
        ("HEATBOOK_MQTT__TLS__CAFILE", "HEATBOOK_MQTT__TLS__CA_FILE"),
    ],
)
def test_an_unknown_name_of_the_environment_names_the_nearest(
    tmp_path: Path, name: str, near: str
) -> None:
    found = problems(tmp_path, env={name: "1"})
    assert found[name].what == "no setting has this name"
    assert found[name].mend == f"the nearest known name is {near!r}"


def test_a_whole_table_in_the_environment_is_refused(tmp_path: Path) -> None:
    assert "HEATBOOK_MQTT" in problems(tmp_path, env={"HEATBOOK_MQTT": '{"port": 1}'})


def test_other_names_of_the_environment_are_left_alone(tmp_path: Path) -> None:
    env = {"PATH": "/bin", "HEATBOOKS": "1", "HEATBOOK_TORTURE": "full"}
    assert load(tmp_path, "", env).settings == Settings()


def test_an_unknown_secret_names_the_nearest(tmp_path: Path) -> None:
    found = problems(tmp_path, secrets={"mqtt__pasword": "x", ".hidden": "x"})
    assert list(found) == ["secrets/mqtt__pasword"]
    mend = found["secrets/mqtt__pasword"].mend
    assert mend == "the nearest known name is 'mqtt__password'"


def test_a_bad_value_names_the_place_that_set_it(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        '[store]\nsynchronous = "off"\n[quarantine]\nmax_rows = 5\n',
        env={"HEATBOOK_QUARANTINE__MAX_ROWS": "many"},
        secrets={"quarantine__max_mb": "0"},
    )
    assert str(found["store.synchronous"]).endswith("is 'off'; use one of 'full' or 'normal'")
    assert "'many'" in found["HEATBOOK_QUARANTINE__MAX_ROWS"].what
    assert "greater than or equal to 1" in found["secrets/quarantine__max_mb"].mend


@pytest.mark.parametrize(
    ("text", "path", "words"),
    [
        ('[fleet]\ntime_zone = "Mars/North"\n', "fleet.time_zone", "no time zone"),
        ("[clock]\nstart = 2026-01-01T00:00:00\n", "clock.start", "no offset"),
        ("[mqtt]\nport = 70000\n", "mqtt", "port must be 1 to 65535"),
        ('[mqtt.tls]\ncert_file = "a"\n', "mqtt.tls", "belong together"),
        ("[models]\nsilent_after_s = 60\n", "models", "below max_gap_s"),
        ("[wire]\nfuture_s = nan\n", "wire.future_s", "nan"),
        ('[alerts.smtp]\nhost = "m"\nsender = "a@b.example"\n', "alerts.smtp.recipients", ""),
        (
            '[alerts.webhooks.desk]\nurl = "ftp://x"\nsecrets = ["x"]\n',
            "alerts.webhooks.desk",
            "beginning with https",
        ),
    ],
)
def test_bad_values(tmp_path: Path, text: str, path: str, words: str) -> None:
    assert words in str(problems(tmp_path, text)[path])


def test_a_list_that_is_none_is_named(tmp_path: Path) -> None:
    found = problems(tmp_path, env={"HEATBOOK_MQTT__FILTERS": '["a'})
    assert found["HEATBOOK_MQTT__FILTERS"].what == "is not a list"


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        "[mqtt]\nprot = 1\n[store]\nbath = 1\n[quarantine]\nmax_rows = 0\n",
        env={"HEATBOOK_X": "1"},
        secrets={"y": "1"},
    )
    assert set(found) == {
        "mqtt.prot",
        "store.bath",
        "quarantine.max_rows",
        "HEATBOOK_X",
        "secrets/y",
    }


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    broken, binary = tmp_path / "broken.toml", tmp_path / "binary.toml"
    broken.write_text("[mqtt\n")
    binary.write_bytes(b"\xff\xfe")
    for file, words in (
        (missing, "does not exist"),
        (broken, "line 1"),
        (binary, "not UTF-8"),
        (tmp_path, "cannot be read"),
    ):
        with pytest.raises(BadSettings, match=words):
            load_settings(config=file, env={})
    with pytest.raises(BadSettings, match="does not exist"):
        load_settings(env={"HEATBOOK_CONFIG": str(missing)})
    with pytest.raises(BadSettings, match="name a directory that exists"):
        load_settings(env={}, secrets=missing, search=())


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


def test_the_example_is_the_defaults() -> None:
    loaded = load_settings(config=EXAMPLE, env={})
    assert loaded.settings == Settings()
    assert loaded.warnings == ()


def test_the_example_holds_every_setting() -> None:
    table = tomllib.loads(uncommented(EXAMPLE.read_text(encoding="utf-8")))
    assert paths(table, ()) == {tuple(path) for path in leaves(Settings)}


def test_the_example_works_with_everything_switched_on(tmp_path: Path) -> None:
    text = uncommented(EXAMPLE.read_text(encoding="utf-8"))
    settings = load(tmp_path, text).settings
    assert set(settings.channels()) == {"log", "smtp", "webhook:dispatch"}


def uncommented(text: str) -> str:
    return re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text)


def paths(table: Mapping[str, Any], path: tuple[str, ...]) -> set[tuple[str, ...]]:
    found: set[tuple[str, ...]] = set()
    for name, value in table.items():
        part = ANY_NAME if path == ("alerts", "webhooks") else name
        deeper = (*path, part)
        found |= paths(value, deeper) if isinstance(value, dict) else {deeper}
    return found
