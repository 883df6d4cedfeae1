"""``heatbook reports`` at a command line, beside a daemon or without one; and what a week amounts to."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from alerts import sending
from alerts.content import decode
from alerts.links import ensure_key
from deploy.cli import app
from deploy.database import Database, read_only
from deploy.desk import desk_of
from deploy.truck_week import truck_week
from ingest import journal
from tests.alerts.store import transition, write
from tests.deploy.shop import DAYS, Shop, open_shop
from tests.recorded import HOUR_MS, NOON_MS, climb

DAY_MS = 86_400_000
END_MS = NOON_MS + DAYS * DAY_MS
MAIL = """
[alerts.smtp]
host = "127.0.0.1"
security = "none"
sender = "heatbook@northfold.example"
recipients = ["workshop@northfold.example"]
"""
WEB = """
[web]
public_url = "https://fleet.northfold.example"
"""


def stopped(at_ms: int) -> str:
    """Let the clock of the settings stand (nearly) still."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()
    return f"[clock]\nrate = 1e-6\nstart = {at}\n"


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return open_shop(tmp_path, more=stopped(END_MS) + MAIL + WEB)


def run(shop: Shop, *words: str, code: int = 0) -> str:
    where = ("--config", str(shop.config))
    done = CliRunner().invoke(app, ["reports", *words, *where], env={"COLUMNS": "200"})
    if code == 0:
        assert done.exit_code == 0, done.output
        return done.output
    assert done.exit_code != 0
    return f"{done.output} {done.exception}"


def raise_alarm(shop: Shop, time_ms: int, *, now_ms: int) -> None:
    database = Database(shop.store)
    try:
        with database.write() as tx:
            write(tx, [transition(time_ms, time_ms)], now_ms=now_ms)
    finally:
        database.close()


def test_the_digest_says_how_things_stand(shop: Shop) -> None:
    raise_alarm(shop, END_MS - HOUR_MS, now_ms=END_MS - HOUR_MS)
    told = run(shop, "digest")
    assert re.search(r"^\d alarms not acknowledged.*; 1 not heard from\.$", told, re.MULTILINE)
    assert "- HIGH NF-01 (Quarry run): " in told
    assert "NF-02 (Never heard): never" in told
    later = run(shop, "digest", "--since", "2099-01-01", code=1)
    assert "must lie in the past" in later


def test_a_week_has_a_line_for_every_truck_and_its_pictures(shop: Shop, tmp_path: Path) -> None:
    page = tmp_path / "week.html"
    told = run(shop, "week", "--page", str(page))
    assert re.search(r"NF-01 +\d+% +\+\d+\.\d%", told)
    assert "HOTTEST HOURS" in told
    assert "[Picture: Life used" in told
    assert page.read_text().count('src="data:image/png;base64,') == 2
    assert "cid:" not in page.read_text()


def test_what_is_sent_is_what_was_shown(shop: Shop) -> None:
    shown = run(shop, "digest")
    assert "The daemon sends it to smtp." in run(shop, "digest", "--send")
    run(shop, "week", "--send")
    with read_only(shop.store) as conn:
        first, second = sending.sendings(conn)
    assert decode(first.content).body.strip() == shown.strip()
    assert [each.name for each in decode(second.content).pictures] == ["life", "days"]


def test_sending_to_nobody_says_so(tmp_path: Path) -> None:
    shop = open_shop(tmp_path, more=stopped(END_MS))
    assert "nobody reads it" in run(shop, "digest", "--send", code=1)


def test_addresses_are_printed_and_changed(shop: Shop) -> None:
    assert "start the daemon once" in run(shop, "addresses", code=1)
    database = Database(shop.store)
    with database.write() as tx:
        ensure_key(tx, b"k" * 32, NOON_MS)
    database.close()
    first, second = run(shop, "addresses"), run(shop, "addresses")
    assert first == second
    found = re.findall(r"https://fleet\.northfold\.example/(calendar|figures)/(\S+)", first)
    assert [name for name, _ in found] == ["calendar", "figures", *["calendar"] * 3]
    changed = run(shop, "addresses", "--truck", "NF-01", "--change")
    assert not set(re.findall(r"https://\S+", changed)) & set(re.findall(r"https://\S+", first))
    rest = run(shop, "addresses")
    assert (
        len(set(re.findall(r"https://\S+", rest)) & set(re.findall(r"https://\S+", first))) == 4
    )
    assert "NF-77" in run(shop, "addresses", "--truck", "NF-77", code=1)


def test_a_new_key_keeps_or_forgets_the_old(shop: Shop) -> None:
    for words, keys in ((("new-key",), 1), (("new-key",), 2), (("new-key", "--forget"), 1)):
        run(shop, *words)
        with read_only(shop.store) as conn:
            assert conn.execute("SELECT count(*) FROM link_key").fetchone() == (keys,)


def test_without_a_public_address_there_is_none_to_print(tmp_path: Path) -> None:
    shop = open_shop(tmp_path)
    assert "set public_url in [web]" in run(shop, "addresses", code=1)


def test_a_week_is_what_its_samples_say(shop: Shop) -> None:
    """Counted anew from the samples alone, by the trapezoid between neighbours."""
    desk = desk_of(shop.config)
    since_ms = NOON_MS + 12 * HOUR_MS
    with read_only(shop.store) as conn:
        stored = desk.reader.truck(conn, "NF-01")
        assert stored.held is not None
        found = truck_week(
            conn, stored, since_ms=since_ms, until_ms=END_MS, max_gap_s=300.0, zone=desk.zone
        )
        samples = journal.read(
            conn, vehicle_id=stored.held.vehicle_id, first_ms=since_ms, last_ms=END_MS
        )
    assert found is not None
    assert found.seen_s == 2 * (len(climb(300)) - 1) * 60.0
    middle = (samples["fluid_temp_c"][1:] + samples["fluid_temp_c"][:-1]) / 2
    within = np.diff(samples["time_ms"]) <= 300_000
    above = 60.0 * int(((middle > found.limit_c) & within).sum())
    assert found.above_s == pytest.approx(above)
    peaks = [peak_c for _, peak_c in found.peaks_c]
    by_day = np.split(samples["fluid_temp_c"], [len(samples) // 2])
    assert peaks == pytest.approx([day[:-1].max() for day in by_day])
    # 60 samples a minute apart within a full hour, by the trapezoid's mean.
    hour = found.hottest[0]
    inside = (samples["time_ms"] >= hour.start_ms) & (
        samples["time_ms"] <= hour.start_ms + HOUR_MS
    )
    assert hour.mean_c == pytest.approx(
        np.trapezoid(samples["fluid_temp_c"][inside], samples["time_ms"][inside]) / HOUR_MS
        if inside.sum() == 61
        else samples["fluid_temp_c"][inside].mean(),
        abs=0.1,
    )
    assert 0.0 < (found.life_gained or 0.0) < found.life_used
    assert found.distance_km >= 0.0
