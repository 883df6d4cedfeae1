"""``heatbook fleet sample``: from a laboratory's sheet to words, and the account that follows it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from deploy.database import read_only
from deploy.desk import desk_of
from deploy.sample_command import update_of
from ingest import record
from tests.deploy.shop import Shop, open_shop

AT = ("--at", "2026-01-03T00:00Z")


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


def test_a_sample_says_what_it_says_and_moves_the_account(shop: Shop) -> None:
    before = shop.json("show", "NF-01")[0]["standing"]["account"]
    said = shop.run(
        "sample",
        "NF-01",
        *("--antioxidant", "40%", "--antioxidant-sd", "0.06"),
        *("--acid", "1.8", "--acid-new", "0.6", *AT),
    )
    assert "antioxidant left 40%, its error 6%, acid number 1.8 mg KOH/g" in said
    assert "Weighed with the account as it was on 2 January 2026:" in said
    assert "Antioxidant 40% left, expected" in said
    # Rise of the acid number 1.2 of 3.0 mg KOH/g, the limit of a public operator's manual.
    assert "Acid number 40% of the way to its limit" in said
    assert "Together: this fluid ages" in said
    assert said.count("Caution:") == 1
    after = shop.json("show", "NF-01")[0]["standing"]["account"]
    assert after["life_used"] > before["life_used"]
    # The interval is tighter than before in proportion, and the fluid's own pace less in doubt.
    assert after["life_high"] / after["life_low"] < before["life_high"] / before["life_low"]
    assert after["causes"]["life"] < before["causes"]["life"]


def test_the_update_that_is_shown_is_the_one_that_counts(shop: Shop) -> None:
    shop.run("pan-drop", "NF-01", "--volume", "3L", *AT)
    shop.run("sample", "NF-01", "--antioxidant", "0.45", *AT)
    shop.run("pan-drop", "NF-01", "--volume", "2L", *AT)
    desk = desk_of(shop.config)
    with read_only(shop.store) as conn:
        stored = desk.reader.truck(conn, "NF-01")
        (sample,) = [e for e in record.effective(conn, "NF-01") if e.kind == "sample"]
    update = update_of(desk, sample)
    assert update is not None
    fill = stored.account.filling
    assert fill.scale_ln == pytest.approx(update.posterior.mean, abs=1e-12)
    assert fill.scale_var == pytest.approx(update.posterior.sd**2, rel=1e-9)
    # One pan drop of the same time came before it, one after: 3 of 12 L, not 2.
    assert update.life_before.best < shop.life("NF-09") + 0.4 * 0.75


def test_what_asks_for_action_is_said_even_of_a_truck_never_heard(shop: Shop) -> None:
    said = shop.run(
        "sample", "NF-02", "--glycol", "--water", "0.5%", "--antioxidant", "90%", *AT
    )
    assert "Glycol in the fluid: coolant gets in" in said
    assert "0.50% of water, above 0.2%" in said
    assert "It counts with the truck's first sample" in said
    assert "Weighed" not in said


def test_a_figure_that_is_nothing_without_new_fluids_is_said_to_be_left_out(
    shop: Shop,
) -> None:
    said = shop.run("sample", "NF-01", "--antioxidant", "50%", "--acid", "1.8", *AT)
    assert "The acid number alone says nothing and is not weighed: --acid-new" in said
    said = shop.run("sample", "NF-01", "--antioxidant", "50%", "--viscosity", "6", *AT)
    assert "The viscosity alone says nothing and is not weighed: --viscosity-new" in said
    said = shop.run("sample", "NF-01", "--acid", "1.8", "--acid-new", "0.6", *AT)
    assert "not weighed" not in said


def test_how_a_sample_is_taken_comes_with_its_dangers_and_enters_nothing(shop: Shop) -> None:
    said = shop.run("sample", "NF-01", "--how")
    for words in ("from the middle of the stream", "scalds", "rated stands", "'Used Oil'"):
        assert words in said
    assert "Follow the maker's manual and local rules" in said
    assert shop.entries() == 0


def test_the_update_is_drawn(shop: Shop) -> None:
    file = shop.folder / "sample.svg"
    said = shop.run("sample", "NF-01", "--antioxidant", "0.5", "--picture", str(file), *AT)
    assert f"Drawn in {file}" in said
    assert "Antioxidant 50%" in file.read_text()


def test_a_picture_that_cannot_be_drawn_enters_nothing(shop: Shop) -> None:
    done = shop.invoke("sample", "NF-01", "--antioxidant", "0.5", "--picture", "sample.pdf")
    assert done.exit_code == 1
    assert shop.entries() == 0


def test_the_laboratory_and_its_number_are_kept(shop: Shop) -> None:
    shop.run(
        *("sample", "NF-01", "--viscosity", "5.1", "--viscosity-new", "6.0", *AT),
        *("--laboratory", "county [red] lab", "--number", "A-17"),
    )
    (entry,) = [each for each in shop.json("history", "NF-01") if each["kind"] == "sample"]
    assert entry["words"] == {"laboratory": "county [red] lab", "sample": "A-17"}
    assert entry["numbers"]["viscosity_change"] == pytest.approx(-0.15)
    assert "laboratory county [red] lab, sample A-17" in shop.run("history", "NF-01")
