"""Mistakes at the command line of the service record: one plain line, an exit code, no traceback."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from deploy.cli import main
from tests.deploy.shop import Shop, open_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


MISTAKES: list[tuple[str, int, str]] = [
    ("pan-drop NF-10", 1, "no truck is named 'NF-10'"),
    ("pan-drop NF-01 --volume 5,5", 2, "'5,5' is no number that is understood; write a volume"),
    ("pan-drop NF-01 --volume 5gal", 2, "'5gal' has no unit that is known"),
    ("pan-drop NF-01 --volume 13L", 1, "13.0 L (13.7 qt) are more than the 12.0 L (12.7 qt)"),
    ("pan-drop NF-01 --at 2099-01-01", 1, "the time lies in the future"),
    ("pan-drop NF-01 --at tuesday", 2, "'tuesday' is no time; write a date, 2026-06-16"),
    ("pan-drop NF-01 --odometer -5", 1, "is -5 km; give a number from 0 to 10,000,000 km"),
    ("pan-drop NF-01 --who=", 1, "who: is empty; say who enters this"),
    ("pan-drop NF-01 --preview --at 2026-01-01", 1, "leave out --at"),
    ("pan-drop NF-02 --preview", 1, "NF-02 has no account: no sample of it was ever taken in"),
    ("pan-drop NF-01 --preview --volume 20L", 1, "20.0 L is no pan drop of the 12.0 L"),
    ("fluid NF-01 slwo", 1, "no fluid is named 'slwo'; add [fluids.slwo] to the fleet file"),
    (
        "install NF-01 --life-used 20",
        1,
        "life_used: is 20; give a share from 0 to 10, where 1 is all",
    ),
    ("install NF-01 --life-used half", 2, "write a share like 0.55 or 55%"),
    ("register NF-01", 1, "NF-01 is in the fleet file, which says what it is"),
    ("register a/b", 1, "'a/b' is no name that a topic can carry"),
    ("register NF-09 --circuit loop", 1, "circuit: is 'loop'; use one of: thermostatic_bypass"),
    ("circuit NF-01 --opens-at 100C", 1, "would begin to open at 100 °C (212 °F)"),
    ("circuit NF-01 --odometer 5km", 1, "say what has changed: --circuit, --cooler"),
    ("sample NF-01", 1, "say what the laboratory found: --antioxidant, --acid with"),
    ("sample NF-01 --antioxidant 55", 1, "is 55; give a share from 0 to 1.2, where 1 is all"),
    ("sample NF-01 --acid 1.8", 1, "says nothing without that of new fluid"),
    ("correct 7 --note x", 1, "there is no entry 7"),
    ("correct 7", 1, "say what is to be corrected"),
    ("correct 7 --set antioxidnat=1", 2, "the nearest known name is 'antioxidant'"),
    ("correct 7 --set antioxidant=much", 2, "antioxidant is 'much'; write a bare number"),
    ("strike 7 --note x", 1, "there is no entry 7"),
    ("history NF-10", 1, "no truck is named 'NF-10'"),
    ("show NF-10", 1, "no truck is named 'NF-10'"),
    ("show NF-02", 1, "NF-02 has no account: no sample of it was ever taken in"),
    ("show NF-01 --picture x.pdf", 1, "end its name in .svg or .png"),
]


@pytest.mark.parametrize(("words", "code", "said"), MISTAKES, ids=lambda one: str(one)[:40])
def test_a_mistake_is_one_plain_line_and_enters_nothing(
    shop: Shop,
    words: str,
    code: int,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    where = ["--config", str(shop.config)]
    monkeypatch.setattr(sys, "argv", ["heatbook", "fleet", *words.split(), *where])
    with pytest.raises(SystemExit) as ended:
        main()
    found = capsys.readouterr()
    assert said in found.err
    assert ended.value.code == code
    assert found.out == ""
    assert len(found.err.splitlines()) == 1
    assert shop.entries() == 0


def test_a_store_that_is_not_there_is_made_by_no_entry_but_a_first_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(folder=tmp_path)
    shop.config.write_text(f'[store]\npath = "{shop.store}"\n')
    words = ["fleet", "pan-drop", "NF-01", "--config", str(shop.config)]
    monkeypatch.setattr(sys, "argv", ["heatbook", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert "there is no store" in capsys.readouterr().err
    assert not shop.store.exists()
