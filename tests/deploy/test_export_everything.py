"""Everything comes out, and pandas alone reads it."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from alerts import sending
from deploy.export.everything import cell
from deploy.export.sheets import SHEETS
from ingest import postponed
from review.access.audit import Deed, audit
from review.problems import Mistake
from tests.alerts.life import DESK
from tests.alerts.store import take
from tests.deploy.backed_up import Home
from tests.deploy.store import pipeline
from tests.deploy.test_erase import _fill
from tests.deploy.test_history_move import DAYS, NOW_MS
from tests.recorded import climb, message, records

TABLES = {
    "trucks": "vehicle",
    "service-record": "service_entry",
    "alarms": "alarm",
    "alarm-events": "alarm_event",
    "transitions": "transition",
    "tellings": "outbox",
    "notices": "sending",
    "attempts": "attempt",
    "holds": "hold",
    "refused": "quarantine",
    "console-accounts": "account",
    "audit": "audit",
}


def test_every_row_and_sample_is_there(home: Home) -> None:
    database = home.open()
    _fill(database, "NF-77")
    running = pipeline(database, now_ms=NOW_MS, policy=DESK)
    hot = climb(90, start_ms=NOW_MS - 900_000, period_ms=10_000, start_c=130.0)
    running.commit([message("NF-78", hot)])
    with database.write() as tx:
        claimed = take(tx, "desk", NOW_MS + 60_000)
        assert claimed is not None
        sending.settle(tx, claimed, NOW_MS + 60_000, "told")
        audit(tx, "=cmd|' /C calc'!A1", Deed.SIGNED_IN, now_ms=NOW_MS)
    with database.read() as conn:
        wanted = {
            name: conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
            for name, table in TABLES.items()
        }
    database.close()
    out = home.folder / "out"
    done = home.run("export", str(out))
    assert done.exit_code == 0, done.exception
    found = {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in out.glob("*.csv")
    }
    assert {name: len(found[name]) for name in wanted} == wanted
    assert out.stat().st_mode & 0o077 == 0  # who did what is in it
    told = (out / "README.md").read_text(encoding="utf-8")
    named = [name for sheet in found.values() for name in sheet.columns]
    assert [name for name in named if f"| `{name}` | " not in told] == []
    assert set(wanted) == {sheet.name for sheet in SHEETS}
    assert min(wanted[name] for name in ("alarms", "refused", "holds", "attempts")) > 0
    assert set(found["accounts"]["truck"]) == {*DAYS, "NF-77", "NF-78"}
    for truck, day in DAYS.items():
        samples = pd.read_parquet(out / "samples" / f"{truck}.parquet")
        assert len(samples) == len({each["time_ms"] for each in day})
        assert samples["time"].is_monotonic_increasing
    assert pd.to_datetime(found["alarms"]["onset"], utc=True).notna().all()
    # Told by the standard's own form: RFC 3339, section 5.6.
    assert (
        found["audit"]["time"].str.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z").all()
    )
    assert "'=cmd|' /C calc'!A1" in set(found["audit"]["who"])
    text = (out / "README.md").read_text()
    for name, table in found.items():
        about = re.search(rf"## {re.escape(name)}\.csv\n(.*?)(\n## |\Z)", text, re.DOTALL)
        assert about is not None
        assert all(f"| `{column}` |" in about[1] for column in table.columns)


def test_samples_that_wait_for_the_archive_are_said_to_be_left_out(home: Home) -> None:
    database = home.open()
    with database.write() as tx:
        (vehicle_id,) = tx.execute("SELECT min(id) FROM vehicle").fetchone()
        late = records(climb(30, start_ms=NOW_MS - 900_000))
        assert postponed.put(tx, vehicle_id=vehicle_id, samples=late, received_ms=NOW_MS)
    database.close()
    assert home.run("export", str(home.folder / "out")).exit_code == 0
    assert f"Not in it: {len(late)} late samples" in (home.folder / "out/README.md").read_text()


@pytest.mark.parametrize(
    "risky", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "a\n=1"]
)
def test_no_text_is_run_as_a_formula(risky: str) -> None:
    """The signs are those of OWASP's page on CSV injection."""
    assert cell(risky) == f"'{risky}"


def test_numbers_stay_numbers() -> None:
    assert [cell(each) for each in (-1.5, -3, None, float("nan"), "plain")] == [
        "-1.5",
        "-3",
        "",
        "",
        "plain",
    ]


def test_what_is_there_is_not_written_over(home: Home, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "note").write_text("mine")
    done = home.run("export", str(tmp_path / "mine"))
    assert isinstance(done.exception, Mistake)
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["note"]
