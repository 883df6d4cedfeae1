"""What attends the daemon from outside: the service manager's herald and the health server."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from importlib.metadata import PackageNotFoundError, version

from deploy.daemon import Daemon
from deploy.database import Beside
from deploy.disk_room import free_bytes
from deploy.health_server import HealthServer, Look, Pages
from deploy.herald import herald_of
from deploy.metrics.collector import Origin, exposition
from deploy.own_sources import folders_of
from deploy.readiness import ready
from deploy.settings import Settings
from deploy.signs import Check, alive
from review.model_version import model_version


class Attendants:
    """They begin before the store is opened and end before the daemon does."""

    def __init__(self, settings: Settings, env: Mapping[str, str]) -> None:
        self._settings = settings
        self._herald = herald_of(env)
        self._health: HealthServer | None = None
        if self._herald is not None:
            self._herald.start()

    def follow(self, daemon: Daemon) -> None:
        """Attend to a daemon that is put together and perhaps not started yet."""
        if self._herald is not None:
            self._herald.follow(lambda: daemon.signs)
        if self._settings.health is not None:
            pages = pages_of(self._settings, daemon)
            self._health = HealthServer(self._settings.health, pages)
            self._health.start()

    def started(self) -> None:
        """Tell at once that the daemon serves."""
        if self._herald is not None:
            self._herald.look()

    def stop(self) -> None:
        """Say that it ends."""
        if self._herald is not None:
            self._herald.stop()
        if self._health is not None:
            self._health.stop()


def pages_of(settings: Settings, daemon: Daemon) -> Pages:
    """Give what the health server says of a daemon."""
    live: Look = partial(_live, daemon)
    store = settings.store.path
    origin = Origin(
        signs=lambda: daemon.signs,
        read=Beside(store).read,
        path=store,
        folders=folders_of(settings),
        version=_version(),
        model_version=model_version(),
    )
    return Pages(
        checks={"/livez": live, "/healthz": live, "/readyz": partial(_ready, settings, daemon)},
        figures=exposition(origin),
    )


def _live(daemon: Daemon) -> tuple[Check, ...]:
    return alive(daemon.signs)


def _ready(settings: Settings, daemon: Daemon) -> tuple[Check, ...]:
    least = settings.watch.limits(None).disk_urgent_bytes
    return ready(daemon.signs, free_bytes(folders_of(settings)), least)


def _version() -> str:
    try:
        return version("heatbook")
    except PackageNotFoundError:
        return "unknown"
