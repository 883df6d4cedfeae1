"""``heatbook fleet export`` and ``import``: everything or nothing, twice adds nothing, faults by line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from deploy.database import read_only
from ingest import record
from tests.deploy.shop import Shop, open_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    (tmp_path / "one").mkdir()
    yield open_shop(tmp_path / "one")
    structlog.reset_defaults()


def _history(shop: Shop) -> None:
    shop.run("register", "NF-09", "--name", "=Rented, \u201cred\u201d", "--total", "9.5L")
    shop.run("pan-drop", "NF-09", "--volume", "9L", "--at", "2026-01-02", "--who", "Kim")
    shop.run("correct", "2", "--volume", "4.5L", "--note", "- not nine;\n[red]sorry")
    shop.run("filter", "NF-01", "--odometer", "31310mi", "--at", "2026-01-03")
    shop.run("strike", "4", "--note", "next week")
    shop.run("sample", "NF-01", "--antioxidant", "0.55", "--at", "2026-01-03")


@pytest.mark.parametrize("form", ["csv", "toml"])
def test_a_record_goes_out_and_in_again(shop: Shop, tmp_path: Path, form: str) -> None:
    _history(shop)
    file = tmp_path / f"record.{form}"
    shop.run("export", str(file))
    assert "New entries: 0, of trucks: 0. In the record already: 6." in shop.run(
        "import", str(file)
    )
    (tmp_path / "two").mkdir()
    other = open_shop(tmp_path / "two")
    assert "New entries: 6, of trucks: 2." in other.run("import", str(file))
    assert other.entries() == 6
    for truck in ("NF-01", "NF-09"):
        left, right = shop.json("history", truck), other.json("history", truck)
        for entry in (*left, *right):
            del entry["id"], entry["supersedes"], entry["superseded_by"]
        assert left == right
        assert shop.life(truck) == other.life(truck)


@pytest.mark.parametrize("form", ["csv", "toml"])
def test_a_fleet_moves_to_where_no_file_names_its_trucks(
    shop: Shop, tmp_path: Path, form: str
) -> None:
    _history(shop)
    file = tmp_path / f"all.{form}"
    shop.run("export", str(file), "--with-fleet-file")
    folder = tmp_path / "two"
    folder.mkdir()
    other = open_shop(folder, fleet="[fluids.slow]\nreference_life_h = 7000\n")
    # Two trucks of the file, the rented one, and five more entries.
    assert "New entries: 8, of trucks: 3." in other.run("import", str(file))
    with read_only(other.store) as conn:
        assert record.registered(conn) == {"NF-01", "NF-02", "NF-09"}
    assert "NF-01 is in the fleet file" in str(shop.invoke("import", str(file)).exception)


def test_one_truck_alone_goes_out(shop: Shop, tmp_path: Path) -> None:
    _history(shop)
    file = tmp_path / "one.toml"
    shop.run("export", str(file), "--truck", "NF-01")
    text = file.read_text()
    assert 'vehicle = "NF-01"' in text
    assert "NF-09" not in text
    assert "no truck is named 'NF-77'" in str(
        shop.invoke("export", str(tmp_path / "x.csv"), "--truck", "NF-77").exception
    )


def test_no_file_is_written_over_by_a_slip(shop: Shop, tmp_path: Path) -> None:
    file = tmp_path / "record.csv"
    file.write_text("mine")
    assert "is there already" in shop.run("export", str(file), code=1)
    assert file.read_text() == "mine"
    shop.run("export", str(file), "--overwrite")
    assert file.read_text() != "mine"


def test_every_fault_of_a_file_is_said_by_its_line_and_nothing_is_entered(
    shop: Shop, tmp_path: Path
) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(
        "vehicle,kind,time,volume_qt,fluid\n"
        "NF-01,pan_drop,2026-01-03,5,\n"
        "NF-77,filter,2026-01-03,,\n"
        "NF-01,pan_drop,2026-01-02,13,\n"
        "NF-01,fluid_change,2026-01-02,,slwo\n"
    )
    error = shop.invoke("import", str(file)).exception
    lines = str(error).splitlines()
    assert len(lines) == 3
    assert f"{file}: line 3" in lines[0]
    assert "no truck is named 'NF-77'" in lines[0]
    assert "line 4" in lines[1]
    assert "more than the 12.0 L" in lines[1]
    assert "line 5" in lines[2]
    assert "no fluid is named 'slwo'" in lines[2]
    assert shop.entries() == 0


def test_who_signs_what_a_file_leaves_open(shop: Shop, tmp_path: Path) -> None:
    file = tmp_path / "work.csv"
    file.write_text("vehicle;kind;time;volume_qt\nNF-01;pan_drop;2026-01-03;4\n")
    shop.run("import", str(file), "--who", "Lee")
    (entry,) = [each for each in shop.json("history", "NF-01") if each["id"]]
    assert entry["who"] == "Lee"
    # Noon in the fleet's zone; a US quart is 0.946352946 L.
    assert entry["time"] == "2026-01-03T19:00:00.000Z"
    assert entry["numbers"]["volume_l"] == pytest.approx(3.785411784)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("export", "record.json"), "ends neither in .csv nor in .toml"),
        (("import", "record.json"), "cannot read record.json"),
        (("export", "none/record.csv"), "cannot write none/record.csv: No such file"),
    ],
)
def test_what_cannot_be_done_is_said(shop: Shop, words: tuple[str, ...], said: str) -> None:
    done = shop.invoke(*words)
    assert done.exit_code == 1
    assert said in f"{done.output}{done.exception}"
