"""Files that are not there or not what they should be: one plain line, and no traceback."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from deploy.check import check
from deploy.cli import main
from deploy.database import Database
from deploy.layers import RESERVED
from deploy.settings import load_settings


def _said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
) -> str:
    """Run a command that must fail; give what it says."""
    monkeypatch.setattr(sys, "argv", ["heatbook", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    found = capsys.readouterr()
    assert found.out == ""
    return found.err


@pytest.mark.parametrize(
    "words",
    [("quarantine", "list"), ("quarantine", "show", "1"), ("quarantine", "drop", "1")],
    ids=lambda words: words[1],
)
def test_a_file_that_is_no_store_is_called_so(
    words: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store = tmp_path / "heatbook.db"
    store.write_text("no store, but a text that somebody has put here")
    said = _said(monkeypatch, capsys, *words, "--store", str(store))
    assert "the store cannot be used: file is not a database" in said


def test_check_names_a_damaged_store(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "heatbook.db").write_text("no store")
    file = tmp_path / "heatbook.toml"
    file.write_text(f'[store]\npath = "{tmp_path / "heatbook.db"}"\n')
    code = check(file, env={}, try_broker=False, send_notice=False, show_settings=False)
    assert code == 1
    assert "file is not a database. Restore a backup" in capsys.readouterr().out


def test_a_payload_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Database(tmp_path / "heatbook.db").close()
    words = ("quarantine", "reingest", "1", "--payload", str(tmp_path / "none"))
    said = _said(monkeypatch, capsys, *words, "--store", str(tmp_path / "heatbook.db"))
    assert said == f"cannot read {tmp_path / 'none'}: No such file or directory\n"


def test_a_capture_that_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = tmp_path / "none" / "day.jsonl"
    words = ("simulate", "--no-broker", "--hours", "0.01", "--capture", str(capture))
    said = _said(monkeypatch, capsys, *words)
    assert said == f"cannot write {capture}: No such file or directory\n"


def test_every_name_that_is_read_elsewhere_is_no_unknown_setting() -> None:
    root = Path(__file__).parents[2]
    sources = [*root.glob("deploy/**/*.py"), *root.glob("tests/**/*.py")]
    read = re.compile(r"(?:environ\.get\(|envvar=)\"(HEATBOOK_\w+)\"")
    names = {name for file in sources for name in read.findall(file.read_text("utf-8"))}
    assert "HEATBOOK_SIMULATE_PASSWORD" in names
    assert names <= RESERVED
    load_settings(env=dict.fromkeys(names, "any"), search=())
