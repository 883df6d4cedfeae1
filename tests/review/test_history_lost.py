"""A page that needs a month which is missing says which file it is and how to mend it; the others go on."""

from __future__ import annotations

from pathlib import Path

from tests.deploy.moved import DAY_MS, move
from tests.review.northfold_day import END_MS, courses, fleet
from tests.review.stage import stage


def test_a_month_that_is_missing_is_named_on_the_page_of_its_truck_alone(
    tmp_path: Path,
) -> None:
    with stage(tmp_path) as set_up:
        moved = move(
            set_up.database, now_ms=END_MS + 90 * DAY_MS, courses=courses(), fleet=fleet()
        )
        assert moved.problems == []
        assert moved.months == len(fleet().vehicles)
        for truck in ("NF-03", "NF-01"):
            assert set_up.client.get(f"/trucks/{truck}/history").status_code == 200
        archive = tmp_path / "archive"
        for kind in ("samples", "minutes", "hours"):
            (file,) = (archive / kind / "vehicle=NF-03").glob("*.parquet")
            file.unlink()
        lost = set_up.client.get("/trucks/NF-03/history")
        assert lost.status_code == 503
        assert "vehicle=NF-03/2026-06-" in lost.text
        assert "from a backup" in lost.text
        assert set_up.client.get("/trucks/NF-01/history").status_code == 200
        assert set_up.client.get("/").status_code == 200
