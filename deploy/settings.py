"""The settings: read from a TOML file, the environment and secrets, and checked as a whole.

Of two places that set one key the first of these counts: command line, environment
(``HEATBOOK_SECTION__KEY``), secrets directory, systemd's credentials directory, file, default.
Tables are merged key by key. Names that nothing reads are errors.
"""

from __future__ import annotations

import json
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import SecretStr, ValidationError, model_validator
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from alerts.channels import ChannelSettings
from deploy import sections
from deploy.archive_section import ArchiveSection
from deploy.backup_section import BackupSection
from deploy.influx_section import Influx, needs_influx
from deploy.keys import fields, is_secret, kinds_at, leaves
from deploy.layers import (
    CONFIG,
    PREFIX,
    SECRETS,
    SYSTEMD_CREDENTIALS,
    Layer,
    from_directory,
    from_environment,
)
from deploy.observe_sections import Health, Log, Watch
from deploy.problems import problems_of
from deploy.report_section import Reports
from deploy.retention_section import Retention
from deploy.toml_file import read_toml
from deploy.web.section import Web
from ingest.mqtt_settings import MqttSettings
from review.problems import BadSettings, Problem

__all__ = ["BadSettings", "Loaded", "Problem", "Settings", "describe", "load_settings"]

DEFAULT_FILES = (Path("heatbook.toml"), Path("/etc/heatbook/heatbook.toml"))
"""Where a settings file is looked for when none is named; the first that exists is read."""


class Settings(BaseSettings):
    """Every setting of the daemon."""

    model_config = SettingsConfigDict(extra="forbid", frozen=True)

    mqtt: MqttSettings = MqttSettings()
    store: sections.Store = sections.Store()
    archive: ArchiveSection = ArchiveSection()
    influx: Influx | None = None
    backup: BackupSection = BackupSection()
    wire: sections.Wire = sections.Wire()
    quarantine: sections.Quarantine = sections.Quarantine()
    retention: Retention = Retention()
    models: sections.Models = sections.Models()
    diagnosis: sections.Diagnosis = sections.Diagnosis()
    fleet: sections.FleetSection = sections.FleetSection()
    alerts: sections.Alerts = sections.Alerts()
    service: sections.Service = sections.Service()
    reports: Reports = Reports()
    web: Web | None = None
    health: Health | None = None
    watch: Watch = Watch()
    log: Log = Log()
    clock: sections.ClockSection = sections.ClockSection()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Take what `load_settings` has read; the library's sources let misspelt names by."""
        del settings_cls, env_settings, dotenv_settings, file_secret_settings
        return (init_settings,)

    _archive_has_a_server = model_validator(mode="after")(needs_influx)

    def channels(self) -> dict[str, ChannelSettings]:
        """Give the settings of every channel by its name."""
        found: dict[str, ChannelSettings] = {"log": self.alerts.log.channel()}
        if self.alerts.smtp is not None:
            found["smtp"] = self.alerts.smtp.channel()
        for name, webhook in self.alerts.webhooks.items():
            found[f"webhook:{name}"] = webhook.channel()
        for name, relay in self.alerts.relays.items():
            found[f"relay:{name}"] = relay.channel()
        if self.alerts.advice is not None:
            found["advice"] = self.alerts.advice.channel()
        return found


SECRET_PATHS = tuple(
    path for path in leaves(Settings) if any(map(is_secret, kinds_at(Settings, path)))
)
"""Where secrets stand, by the types of the settings; ``*`` stands for a name that people choose."""

SECRET_KEYS = frozenset(path[-1] for path in SECRET_PATHS)
"""Keys whose values do not belong in a file that everybody on the machine can read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """The settings, the file they came from (None: there was none), and what is doubtful."""

    settings: Settings
    file: Path | None
    warnings: tuple[Problem, ...] = ()

    @property
    def fleet_file(self) -> Path | None:
        """The fleet file; a relative name starts from the folder of the settings file."""
        return self._beside(self.settings.fleet.file)

    @property
    def people_file(self) -> Path | None:
        """The people file; a relative name starts from the folder of the settings file."""
        return self._beside(self.settings.alerts.people)

    def _beside(self, file: Path | None) -> Path | None:
        return file if file is None or self.file is None else self.file.parent / file


def load_settings(
    *,
    config: Path | None = None,
    env: Mapping[str, str],
    secrets: Path | None = None,
    overrides: Mapping[str, Any] | None = None,
    search: Sequence[Path] = DEFAULT_FILES,
) -> Loaded:
    """Read and check the settings.

    Parameters
    ----------
    config
        The file; None: ``HEATBOOK_CONFIG``, or the first of ``search`` that exists.
    env
        The environment.
    secrets
        Directory with one file per value; None: ``HEATBOOK_SECRETS``, or none.
    overrides
        What the command line sets, as nested tables.

    Raises
    ------
    BadSettings
        With every problem found.
    """
    problems: list[Problem] = []
    file = _choose(config, env, search)
    read = [
        Layer(table=overrides or {}, name="command line: {dotted}"),
        Layer(table=from_environment(env, Settings, problems), name=PREFIX + "{shouted}"),
    ]
    for folder in (secrets or _path(env, SECRETS), _path(env, SYSTEMD_CREDENTIALS)):
        if folder is not None:
            table = from_directory(folder, Settings, problems)
            read.append(Layer(table=table, name=f"{folder}/{{joined}}"))
    if file is not None:
        read.append(Layer(table=read_toml(file), name=f"{file}: {{dotted}}"))
    try:
        settings = Settings(**_merged(read))
    except ValidationError as error:
        problems += [_placed(problem, read) for problem in problems_of(error, Settings, "")]
        # The library's words repeat what was given, secrets too.
        raise BadSettings(problems) from None
    if problems:
        raise BadSettings(problems)
    warnings = [] if file is None else _exposed(file, read[-1].table)
    return Loaded(settings=settings, file=file, warnings=(*warnings, *_in_the_clear(settings)))


def _path(env: Mapping[str, str], name: str) -> Path | None:
    return Path(env[name]) if env.get(name) else None


def _choose(config: Path | None, env: Mapping[str, str], search: Sequence[Path]) -> Path | None:
    named = config or _path(env, CONFIG)
    return named or next((file for file in search if file.is_file()), None)


def _merged(read: Sequence[Layer]) -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for layer in reversed(read):
        merged = _over(merged, layer.table)
    return merged


def _over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for name, value in above.items():
        under = merged.get(name)
        if isinstance(value, Mapping) and isinstance(under, Mapping):
            merged[name] = _over(under, value)
        else:
            merged[name] = value
    return merged


def _placed(problem: Problem, read: Sequence[Layer]) -> Problem:
    """Name the place that set the bad value, or its table where the value is missing."""
    if not problem.path:  # it lies between tables
        return replace(problem, path="the settings")
    parts = problem.path.split(".")
    for end in (len(parts), len(parts) - 1):
        for layer in read:
            if end and _mentions(layer.table, parts[:end]):
                return replace(problem, path=layer.place(parts))
    return problem


def _mentions(table: Mapping[str, Any], parts: Sequence[str]) -> bool:
    found: Any = table
    for part in parts:
        if isinstance(found, Mapping):
            if part not in found:
                return False
            found = found[part]
    return True


def _in_the_clear(settings: Settings) -> list[Problem]:
    mqtt = settings.mqtt
    near = mqtt.host in ("localhost", "127.0.0.1", "::1")
    if mqtt.password is None or mqtt.tls is not None or near:
        return []
    what = "the broker's password crosses the network in the clear"
    return [Problem(path="mqtt.tls", what=what, mend="add [mqtt.tls]", warning=True)]


def _exposed(file: Path, table: Mapping[str, Any]) -> list[Problem]:
    if not file.stat().st_mode & stat.S_IROTH:
        return []
    return [
        Problem(
            path=f"{file}: {key}",
            what="a secret stands in a file that everybody on this machine can read",
            mend=f"chmod o-r {file}, or move it to a file of the secrets directory",
            warning=True,
        )
        for key in _secrets(table, ())
    ]


def _secrets(table: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    found: list[str] = []
    for name, value in table.items():
        if isinstance(value, Mapping):
            found += _secrets(value, (*path, name))
        elif any(map(is_secret, kinds_at(Settings, (*path, name)))):
            found.append(".".join((*path, name)))
    return found


def describe(settings: Settings) -> str:
    """Write the effective settings, one ``key = value`` a line, secrets as stars."""
    return "\n".join(_lines(settings, ""))


def _lines(value: object, path: str) -> list[str]:
    if isinstance(value, Mapping):
        return [line for name, each in value.items() for line in _lines(each, f"{path}.{name}")]
    if names := fields(type(value)):
        lead = f"{path}." if path else ""
        return [line for name in names for line in _lines(getattr(value, name), lead + name)]
    return [f"{path} = {_written(value)}"]


def _written(value: object) -> str:
    if value is None:
        return "(not set)"
    if isinstance(value, SecretStr):
        return "********" if value.get_secret_value() else '""'
    if isinstance(value, tuple):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, bool | int | float | str):
        return json.dumps(value, ensure_ascii=False)
    return str(value)
