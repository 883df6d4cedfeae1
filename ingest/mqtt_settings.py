"""How to reach the broker."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

from pydantic import ConfigDict, SecretStr

Protocol = Literal["5", "3.1.1"]

FORTNIGHT_S = 14 * 24 * 3600
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}\Z")
_LARGEST_WINDOW = 65_535


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttTls:
    """TLS: whom to trust (the system's authorities when empty) and who we are.

    There is no switch for trusting anybody: a private authority goes into `ca_file`.
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    def __post_init__(self) -> None:
        if (self.cert_file is None) != (self.key_file is None):
            msg = "cert_file and key_file belong together: give both or neither"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """One broker session.

    `client_id` names the session: the broker keeps messages for it while we are away, so it
    must stay the same over restarts and belong to one process only. `receive_maximum` is the
    number of unacknowledged messages the broker may have out (MQTT 5): the back-pressure.
    `retired_filters` are filters of earlier settings that the session may still hold.
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")

    host: str = "localhost"
    port: int = 1883
    client_id: str = "heatbook"
    protocol: Protocol = "5"
    username: str | None = None
    password: SecretStr | None = None
    tls: MqttTls | None = None
    filters: tuple[str, ...] = ("fleet/+/telemetry", "fleet/+/status")
    retired_filters: tuple[str, ...] = ()
    keepalive_s: int = 20
    session_expiry_s: int = FORTNIGHT_S
    receive_maximum: int = 500
    connect_timeout_s: float = 10.0
    reconnect_min_s: float = 1.0
    reconnect_max_s: float = 60.0

    def __post_init__(self) -> None:
        for wrong, words in _complaints(self):
            if wrong:
                raise ValueError(words)

    @property
    def status_topic(self) -> str:
        """Where the daemon says whether it is there; also its last will."""
        return f"heatbook/{self.client_id}/status"


def _complaints(it: MqttSettings) -> tuple[tuple[bool, str], ...]:
    bad = [name for name in (*it.filters, *it.retired_filters) if not valid_filter(name)]
    return (
        (not it.host, "host must not be empty"),
        (not 0 < it.port <= 65_535, f"port must be 1 to 65535, not {it.port}"),
        (
            _NAME.match(it.client_id) is None,
            f"client_id must be 1 to 64 letters, digits, '.', '_', '-'; not {it.client_id!r}",
        ),
        (it.password is not None and not it.username, "a password needs a username beside it"),
        (not it.filters, "filters must name at least one topic filter"),
        (len(set(it.filters)) < len(it.filters), "filters names one topic filter twice"),
        (bool(bad), f"not a topic filter: {', '.join(map(repr, bad))}"),
        (not 1 <= it.keepalive_s <= 65_535, "keepalive_s must be 1 to 65535"),
        (not 1 <= it.session_expiry_s < 2**32, "session_expiry_s must be above 0"),
        (
            not 1 <= it.receive_maximum <= _LARGEST_WINDOW,
            f"receive_maximum must be 1 to {_LARGEST_WINDOW}",
        ),
        (it.connect_timeout_s <= 0, "connect_timeout_s must be above 0"),
        (
            not 0 < it.reconnect_min_s <= it.reconnect_max_s,
            "reconnect_min_s must be above 0 and not above reconnect_max_s",
        ),
    )


def valid_filter(name: str) -> bool:
    """Tell whether `name` is a topic filter: `+` a whole level, `#` the last one."""
    levels = name.split("/")
    whole = all(level in {"+", "#"} or not set("+#") & set(level) for level in levels)
    return bool(name) and "\0" not in name and whole and "#" not in levels[:-1]
