"""The units that ship: what systemd says of them."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from deploy.cli import EXIT_BAD_SETTINGS
from tests.deploy.unit_files import UNITS, settings_of

PROGRAM = "/opt/heatbook/bin/heatbook"
SERVICES = {"heatbook.service": 1.1, "heatbook-backup.service": 0.2}
"""Each service with its exposure by ``systemd-analyze security`` of systemd 252, and no more than that."""

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None and not os.environ.get("CI"),
    reason="systemd-analyze is not installed",
)


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    command = ["systemd-analyze", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    for name in (*SERVICES, "heatbook-backup.timer"):
        text = (UNITS / name).read_text()
        # Verified is also that the program is there.
        (tmp_path / name).write_text(text.replace(PROGRAM, "/bin/true"))
    names = [str(tmp_path / name) for name in (*SERVICES, "heatbook-backup.timer")]
    done = analyze("verify", "--man=no", *names)
    ours = [line for line in done.stderr.splitlines() if "heatbook" in line]
    assert (done.returncode, ours) == (0, []), done.stderr


@pytest.mark.parametrize("name", SERVICES)
def test_how_much_a_service_is_exposed(name: str) -> None:
    done = analyze(
        "security",
        "--offline=true",
        f"--threshold={round(SERVICES[name] * 10)}",
        str(UNITS / name),
    )
    assert done.returncode == 0, done.stdout[-500:]
    assert f"Overall exposure level for {name}: {SERVICES[name]}" in done.stdout


def test_the_timer_asks_for_a_time_that_there_is() -> None:
    (calendar,) = settings_of("heatbook-backup.timer")["OnCalendar"]
    assert "*-*-* 04:00:00" in analyze("calendar", calendar).stdout


def test_bad_settings_are_not_tried_again() -> None:
    assert settings_of("heatbook.service")["RestartPreventExitStatus"] == [
        str(EXIT_BAD_SETTINGS)
    ]


def test_compiled_code_is_not_forbidden() -> None:
    for name in SERVICES:
        assert settings_of(name)["MemoryDenyWriteExecute"] == ["no"]


def test_the_user_can_be_made() -> None:
    if shutil.which("systemd-sysusers") is None:
        pytest.skip("systemd-sysusers is not installed")
    command = ["systemd-sysusers", "--dry-run", str(UNITS / "heatbook.sysusers")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    assert done.returncode == 0, done.stderr
    (user,) = settings_of("heatbook.service")["User"]
    assert user == "heatbook"
    assert f"'{user}'" in done.stdout + done.stderr or _is_there(user)


def _is_there(user: str) -> bool:
    return any(
        line.startswith(f"{user}:") for line in Path("/etc/passwd").read_text().split("\n")
    )
