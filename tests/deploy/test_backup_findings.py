"""What ``heatbook check`` says of the folder for backups, on real folders."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from deploy.backup_findings import backup_findings
from deploy.broker_check import Finding
from deploy.cli import app
from deploy.settings import Loaded, Settings

UNWRITABLE = Path("/proc")
"""A folder that nobody can write to, not even root."""


def found(folder: Path | None) -> list[Finding]:
    settings = Settings.model_validate({"backup": {"folder": folder}})
    return list(backup_findings(Loaded(settings=settings, file=None)))


def test_without_a_folder_nothing_is_said() -> None:
    assert found(None) == []


def test_one_that_can_be_written_is_good_and_stays_as_it_was(tmp_path: Path) -> None:
    (one,) = found(tmp_path)
    assert (one.level, one.what) == ("good", f"backup.folder: {tmp_path} can be written")
    assert list(tmp_path.iterdir()) == []


def test_one_that_is_missing_may_be_a_disk_that_is_not_mounted(tmp_path: Path) -> None:
    (one,) = found(tmp_path / "disk" / "backups")
    assert one.level == "caution"
    assert f"{tmp_path / 'disk' / 'backups'} is not there" in one.what
    assert "mount that first" in one.mend
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_its_place_or_above_is_a_fault(tmp_path: Path) -> None:
    file = tmp_path / "backups"
    file.write_text("a file")
    (one,) = found(file)
    assert (one.level, one.what) == ("fault", f"backup.folder: {file} is a file, not a folder")
    (above,) = found(file / "nightly")
    assert above.level == "fault"
    assert f"would lie in {file}, which is a file" in above.what
    assert file.read_text() == "a file"


def test_one_that_cannot_be_written_or_made_is_a_fault() -> None:
    for folder in (UNWRITABLE, UNWRITABLE / "backups"):
        (one,) = found(folder)
        assert one.level == "fault"
        assert f"backup.folder: {folder}: nothing can be written to {UNWRITABLE} (" in one.what
        assert "Give it to the user that makes the backups" in one.mend


def test_check_says_it_and_ends_with_1(tmp_path: Path) -> None:
    file = tmp_path / "backups"
    file.write_text("a file")
    config = tmp_path / "heatbook.toml"
    config.write_text(
        f'[store]\npath = "{tmp_path / "heatbook.db"}"\n[backup]\nfolder = "{file}"\n'
    )
    done = CliRunner().invoke(app, ["check", "--no-broker", "--config", str(config)])
    assert done.exit_code == 1
    assert f"backup.folder: {file} is a file" in " ".join(done.output.split())
