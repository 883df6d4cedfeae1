"""``heatbook review`` from the command line, over the invented fleet's day."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner, Result

from deploy.cli import app
from review.problems import Mistake
from simulator.northfold import fleet_file
from tests.review.northfold_day import day_store

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    folder = tmp_path_factory.mktemp("review")
    day_store(folder).close()
    (folder / "northfold.toml").write_text(fleet_file(), encoding="utf-8")
    (folder / "heatbook.toml").write_text(
        f'[store]\npath = "{folder / "heatbook.db"}"\n'
        '[fleet]\nfile = "northfold.toml"\n[models]\nsilent_after_s = 1800.0\n',
        encoding="utf-8",
    )

    def command(*words: str) -> Result:
        where = ["--config", str(folder / "heatbook.toml")]
        return CliRunner().invoke(app, ["review", *words, *where], env={"COLUMNS": "100"})

    yield command
    shutil.rmtree(folder)


def test_it_prints_the_answer_and_what_happened(run: Run) -> None:
    told = run("NF-03").output
    assert told.index("Bypass valve stuck") < told.index("First to go") < told.index("When")
    assert told.index("left its own healthy") < told.index("Not known:")
    assert "no laboratory proof" in " ".join(told.split())
    assert "hot fluid scalds" in told


def test_it_writes_report_and_package(run: Run, tmp_path: Path) -> None:
    pdf, packed = tmp_path / "claim.pdf", tmp_path / "claim.zip"
    done = run("NF-03", "--pdf", str(pdf), "--package", str(packed))
    assert done.exit_code == 0
    assert len(PdfReader(pdf).pages) >= 5
    with zipfile.ZipFile(packed) as archive:
        assert "recompute.py" in archive.namelist()
    assert "First to go" not in done.output


def test_json_is_json_and_nothing_else(run: Run) -> None:
    told = json.loads(run("NF-03", "--json").stdout)
    assert told["causes"][0]["name"] == "shut"
    assert told["departure"]["alarm"] == "bypass_stuck"
    assert told["answer"][0].startswith("First to go")
    assert [each["time"] for each in told["timeline"]] == sorted(
        each["time"] for each in told["timeline"]
    )


def test_up_to_a_time_before_it_failed(run: Run) -> None:
    told = json.loads(run("NF-03", "--until", "2026-06-16T07:00:00Z", "--json").stdout)
    assert told["departure"] is None
    assert told["headline"] == "Nothing left its healthy behaviour"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("NF-99",), "no truck is named"),
        (("NF-03", "--until", "2020-01-01"), "before the first sample"),
        (("NF-03", "--until", "yesterday"), "is no time"),
        (("NF-03", "--days", "90"), "1 to 60"),
    ],
)
def test_what_cannot_be_reviewed_is_said_plainly(
    run: Run, words: tuple[str, ...], said: str
) -> None:
    with pytest.raises(Mistake, match=said):
        raise run(*words).exception or AssertionError("it went through")


def test_a_file_that_cannot_be_written(run: Run, tmp_path: Path) -> None:
    done = run("NF-01", "--pdf", str(tmp_path / "nowhere" / "claim.pdf"))
    assert done.exit_code == 1
    assert "cannot write" in done.output
