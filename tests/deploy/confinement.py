"""A program started under what a unit forbids; ``confined.py`` is what runs inside."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
from dataclasses import dataclass
from pathlib import Path

from tests.deploy.unit_files import allowed_calls, settings_of

FAMILIES = {"AF_UNIX": 1, "AF_INET": 2, "AF_INET6": 10}
NOBODY = 65_534
START = "import heatbook; heatbook.main()"
FIXED = Path("/run/heatbook-unit")
KEPT = Path("/var/tmp/heatbook-unit")
"""What was compiled is kept between runs of the tests: it goes by the path and time of each source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where the daemon finds things: not below /tmp or /home, where the unit shows it nothing."""

    own: Path
    app: Path = FIXED / "app"
    deps: Path = FIXED / "deps"
    python: Path = FIXED / "python"
    cache: Path = FIXED / "cache"

    @property
    def state(self) -> Path:
        return self.own / "state"

    @property
    def temporary(self) -> Path:
        return self.own / "tmp"

    @property
    def backups(self) -> Path:
        return self.own / "backups"

    @property
    def config(self) -> Path:
        return self.own / "heatbook.toml"

    @property
    def credentials(self) -> Path:
        return self.own / "credentials"

    @property
    def notify(self) -> Path:
        return self.own / "notify"

    def make(self) -> None:
        """Make the folders; four are written by the daemon's user, the others by nobody."""
        written = (self.state, self.temporary, self.backups, KEPT)
        for folder in (
            self.app,
            self.deps,
            self.python,
            self.cache,
            self.credentials,
            *written,
        ):
            folder.mkdir(parents=True, exist_ok=True)
        # Whatever the umask of this process is: a test before may have started a daemon in it.
        for folder in (self.own, FIXED, self.app, self.deps, self.python, self.cache):
            folder.chmod(0o755)
        for folder in written:
            os.chown(folder, NOBODY, NOBODY)
            folder.chmod(0o700)


def may_confine() -> bool:
    """Say whether this machine lets us make namespaces (a container often does not)."""
    return (
        os.geteuid() == 0
        and not subprocess.run(
            ["unshare", "--mount", "--pid", "--fork", "mount", "--make-rprivate", "/"],  # noqa: S607
            check=False,
            capture_output=True,
        ).returncode
    )


def confined(
    places: Places,
    wheel: Path,
    *words: str,
    service: str = "heatbook.service",
    code: str = START,
) -> list[str]:
    """Give the command: namespaces, what the service is forbidden, and ``heatbook`` as its wheel starts it.

    ``words`` are its words, ``code`` what Python is to run instead.
    """
    how = {
        "binds": [
            [str(wheel), str(places.app)],
            [sysconfig.get_paths()["purelib"], str(places.deps)],
            [sys.base_prefix, str(places.python)],
            [str(KEPT), str(places.cache)],
        ],
        "writable": [
            str(each) for each in (places.state, places.cache, places.temporary, places.backups)
        ],
        "directory": str(places.state),
        "calls": sorted(allowed_calls(service)),
        "families": [
            FAMILIES[each]
            for each in settings_of(service)["RestrictAddressFamilies"][0].split()
        ],
        "environment": {
            "PATH": "/usr/bin:/bin",
            "LD_LIBRARY_PATH": f"{places.python}/lib",
            "PYTHONPATH": f"{places.app}:{places.deps}",
            "TMPDIR": str(places.temporary),
            "CACHE_DIRECTORY": str(places.cache),
            "STATE_DIRECTORY": str(places.state),
            "MPLCONFIGDIR": f"{places.cache}/matplotlib",
            "HEATBOOK_CONFIG": str(places.config),
            "CREDENTIALS_DIRECTORY": str(places.credentials),
            "NOTIFY_SOCKET": str(places.notify),
            "WATCHDOG_USEC": "2000000",
        },
    }
    namespaces = ["unshare", "--mount", "--pid", "--fork", "--ipc", "--kill-child"]
    inside = [sys.executable, str(Path(__file__).with_name("confined.py")), json.dumps(how)]
    python = f"{places.python}/bin/python3.{sys.version_info.minor}"
    return [*namespaces, *inside, python, "-c", code, *words]
