"""Mistakes in the settings: each is named with its place and how to mend it."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.settings import BadSettings, Settings, load_settings
from tests.deploy.settings_files import load, problems


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
        ('[service]\nreview_at = "25:00"\n', "service.review_at", "25:00"),
        ('[service]\nreview_at = "06:00:30"\n', "service.review_at", "write it like 06:00"),
        ('[service]\nreview_at = "06:00Z"\n', "service.review_at", "not a plain time of day"),
        ("[service]\nmoved_days = 0\n", "service.moved_days", "greater than or equal to 1"),
        ('[backup]\nfolder = ""\n', "backup.folder", "name one, or take the key out"),
        (
            '[influx]\nurl = "https://i.example"\norg = ""\ntoken = "x"\n',
            "influx.org",
            "is empty or too short",
        ),
        ('[archive]\nkind = "influx"\n', "the settings", "add it with url, org and token"),
        ("[mqtt]\nport = 70000\n", "mqtt", "port must be 1 to 65535"),
        ('[mqtt.tls]\ncert_file = "a"\n', "mqtt.tls", "belong together"),
        ("[models]\nsilent_after_s = 60\n", "models", "below max_gap_s"),
        (
            "[diagnosis]\nfalse_alarms_per_driving_hour = 0\n",
            "diagnosis.false_alarms_per_driving_hour",
            "greater than or equal to 0.00000001",
        ),
        ("[wire]\nfuture_s = nan\n", "wire.future_s", "nan"),
        ('[alerts.smtp]\nhost = "m"\nsender = "a@b.example"\n', "alerts", "reaches nobody"),
        (
            (
                '[alerts.webhooks.d]\nurl = "https://x.example"\nsource = "a b"\n'
                'secrets = ["whsec_bm9ydGhmb2xkLWV4YW1wbGUtc2VjcmV0LW5vdC1yZWFs"]\n'
            ),
            "alerts.webhooks.d",
            "without blanks",
        ),
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
