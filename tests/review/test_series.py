"""What charts are drawn from, held against pandas, the samples themselves and the picture in the mails."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts import ledger
from alerts.ledger import Alarm
from deploy.database import Database
from deploy.notice_chart import Charts
from ingest import journal
from models.sample import SAMPLE
from models.units import METRIC, US
from review import history
from review.entry_rules import UnknownTruck
from review.expected import Z_80, samples_before
from review.model_version import model_version
from review.problems import Mistake
from review.reduced import BUCKETS_MS, as_they_are, bucket_for, coarser
from review.series import NOT_KEPT, TOO_LONG, Series, encode, series
from review.series_lines import EVERY_SAMPLE_UP_TO_MS, LABELS
from review.series_marks import nights
from review.series_table import MOST_ROWS, rows_of
from simulator.northfold import START_MS
from tests.review.northfold_day import END_MS, courses, day_store, reader

TRUCK = "NF-03"
HOUR_MS, DAY_MS = 3_600_000, 86_400_000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    database = day_store(tmp_path_factory.mktemp("series"))
    yield database
    database.close()


def drawn(store: Database, truck: str = TRUCK, **changes: object) -> Series:
    asked: dict[str, object] = {"first_ms": START_MS, "last_ms": END_MS, **changes}
    with store.read() as conn:
        return series(conn, reader(), truck, **asked)  # type: ignore[arg-type] # names of its own


def samples(count: int, seed: int) -> np.ndarray:
    """Samples at odd moments, with holes: some signals absent now and then, none at all for hours."""
    chance = np.random.default_rng(seed)
    made = np.zeros(count, SAMPLE)
    steps = chance.choice([7_000, 10_000, 11_000, 7_200_000], count, p=[0.3, 0.4, 0.29, 0.01])
    made["time_ms"] = START_MS + np.cumsum(steps)
    for name in ("fluid_temp_c", "engine_load_pct"):
        made[name] = chance.normal(80, 15, count)
        made[name][chance.random(count) < 0.2] = np.nan
    return made


@pytest.mark.parametrize("bucket_ms", BUCKETS_MS)
@pytest.mark.parametrize("seed", [1, 2])
def test_buckets_are_those_of_pandas(bucket_ms: int, seed: int) -> None:
    """pandas' resample is the outside source: least, mean, greatest of each bucket, by the clock of UTC."""
    made = samples(3000, seed)
    names = ("fluid_temp_c", "engine_load_pct")
    found = coarser(as_they_are(made, names), bucket_ms)
    frame = history.frame(made)
    grouped = frame.resample(pd.Timedelta(milliseconds=bucket_ms), origin="epoch")
    held = grouped.size() > 0
    starts = grouped.size()[held].index.astype("datetime64[ms, UTC]").astype("int64")
    assert found.time_ms.tolist() == starts.tolist()
    for name in names:
        cells = found.signals[name]
        np.testing.assert_array_equal(cells.low, grouped[name].min()[held])
        np.testing.assert_array_equal(cells.high, grouped[name].max()[held])
        np.testing.assert_allclose(cells.mean, grouped[name].mean()[held], rtol=1e-12)
        np.testing.assert_array_equal(cells.count, grouped[name].count()[held])


def test_wider_buckets_from_narrow_ones_are_those_from_the_samples() -> None:
    made = samples(2000, 3)
    straight = coarser(as_they_are(made, ("fluid_temp_c",)), 6 * HOUR_MS)
    by_steps = coarser(coarser(as_they_are(made, ("fluid_temp_c",)), 60_000), 6 * HOUR_MS)
    assert straight.time_ms.tolist() == by_steps.time_ms.tolist()
    for part in ("low", "mean", "high", "count"):
        one = getattr(straight.signals["fluid_temp_c"], part)
        np.testing.assert_allclose(one, getattr(by_steps.signals["fluid_temp_c"], part))


@given(span_ms=st.integers(60_000, 24 * DAY_MS), points=st.integers(60, 4000))
def test_the_narrowest_bucket_that_fits_is_taken(span_ms: int, points: int) -> None:
    bucket_ms = bucket_for(span_ms, points)
    assert bucket_ms == BUCKETS_MS[-1] or span_ms <= bucket_ms * points
    narrower = [each for each in BUCKETS_MS if each < bucket_ms]
    assert all(span_ms > each * points for each in narrower)


@settings(deadline=None, max_examples=40)
@given(
    first=st.integers(0, 7 * 60),
    minutes=st.integers(2, 8 * 60),
    width_px=st.integers(60, 2500),
)
def test_a_spike_of_one_sample_is_in_every_picture(
    store: Database, first: int, minutes: int, width_px: int
) -> None:
    first_ms = START_MS + first * 60_000
    last_ms = first_ms + minutes * 60_000
    found = drawn(store, first_ms=first_ms, last_ms=last_ms, width_px=width_px, healthy=False)
    with store.read() as conn:
        raw = history.samples(conn, TRUCK, first_ms, last_ms)["fluid_temp_c"]
    assert extremes(found) == ((raw.min(), raw.max()) if len(raw) else (math.inf, -math.inf))
    assert (
        len(found.time_ms) <= width_px + 1
    )  # the bucket of the first moment may have begun before


def extremes(found: Series) -> tuple[float, float]:
    line = found.lines[0]
    low = [each for each in (line.low or line.mean) if each is not None]
    high = [each for each in (line.high or line.mean) if each is not None]
    return min(low, default=math.inf), max(high, default=-math.inf)


@pytest.mark.parametrize("days", [20, 365])
def test_over_a_long_span_the_spike_is_there_too(store: Database, days: int) -> None:
    found = drawn(store, first_ms=END_MS - days * DAY_MS, last_ms=END_MS + DAY_MS)
    assert found.bucket_ms >= 1_800_000
    with store.read() as conn:
        raw = history.samples(conn, TRUCK, START_MS, END_MS)["fluid_temp_c"]
    assert extremes(found) == (raw.min(), raw.max())
    assert found.healthy is None
    assert found.healthy_why == TOO_LONG
    assert found.nights == []
    assert found.circuit is not None  # from the states that are kept
    assert any(share < 0.1 for share in found.circuit.share if share is not None)


def test_every_sample_is_as_the_store_has_it(store: Database) -> None:
    found = drawn(store, width_px=2000, healthy=False)
    with store.read() as conn:
        raw = history.samples(conn, TRUCK, START_MS, END_MS)
    assert found.bucket_ms == 0
    assert found.time_ms == raw["time_ms"].tolist()
    assert found.lines[0].mean == raw["fluid_temp_c"].round(2).tolist()
    assert found.lines[0].low == ()


def test_a_stop_is_a_gap_at_any_width(store: Database) -> None:
    with store.read() as conn:
        times = history.samples(conn, TRUCK, START_MS, END_MS)["time_ms"]
    stop = int(np.argmax(np.diff(times)))
    begin_ms, end_ms = int(times[stop]), int(times[stop + 1])
    assert end_ms - begin_ms > HOUR_MS  # it stands for more than an hour
    for width_px in (60, 300, 2000):
        found = drawn(store, width_px=width_px, healthy=False)
        half_ms = found.bucket_ms / 2
        inside = [
            each for each in found.time_ms if begin_ms + half_ms < each < end_ms - half_ms
        ]
        assert inside == []
        steps = np.diff(found.time_ms)
        assert steps.max() > found.gap_ms
        middle_ms = (begin_ms + end_ms) / 2
        (told,) = (gap for gap in found.gaps if gap.first_ms < middle_ms < gap.last_ms)
        assert abs(told.first_ms - begin_ms) <= found.bucket_ms + 1
        assert abs(told.last_ms - end_ms) <= found.bucket_ms + 1


def test_the_healthy_band_is_that_of_the_mails_picture(store: Database) -> None:
    charts = Charts(database=store, courses=courses(), model_version=model_version())
    with store.read() as conn:
        (alarm,) = ledger.alarms(conn, vehicle=TRUCK, kind="bypass_stuck")
        picture = charts._course(conn, alarm, END_MS)
    assert picture is not None
    assert picture.healthy is not None
    first_ms = int(picture.time_ms[0])
    found = drawn(store, first_ms=first_ms, last_ms=END_MS, width_px=2000)
    assert found.healthy is not None
    assert found.healthy.time_ms == picture.healthy.time_ms.tolist()
    np.testing.assert_allclose(found.healthy.mean, picture.healthy.celsius, atol=0.005)
    reach = Z_80 * picture.healthy.sd_k
    np.testing.assert_allclose(found.healthy.low, picture.healthy.celsius - reach, atol=0.005)
    np.testing.assert_allclose(found.healthy.high, picture.healthy.celsius + reach, atol=0.005)
    assert [(each.name, each.celsius) for each in found.limits] == [
        ("highest allowed", 121.0),
        ("critical", 135.0),
    ]


def test_a_coarser_band_is_read_from_the_same_run(store: Database) -> None:
    fine, coarse = drawn(store, width_px=2000), drawn(store, width_px=60)
    assert fine.healthy is not None
    assert coarse.healthy is not None
    at = dict(zip(fine.healthy.time_ms, fine.healthy.mean, strict=True))
    shared = [
        (mean, at[time_ms])
        for time_ms, mean in zip(coarse.healthy.time_ms, coarse.healthy.mean, strict=True)
        if time_ms in at
    ]
    assert len(shared) > 10
    assert all(abs(one - other) < 0.011 for one, other in shared)


def test_the_circuit_is_judged_as_the_alarm_says(store: Database) -> None:
    found = drawn(store)
    with store.read() as conn:
        (alarm,) = ledger.alarms(conn, vehicle=TRUCK, kind="bypass_stuck")
    assert found.circuit is not None
    times = np.array(found.circuit.time_ms)
    before = int(np.searchsorted(times, alarm.onset_ms - 20 * 60_000))
    after = int(np.searchsorted(times, alarm.onset_ms + 10 * 60_000))
    p_fault = np.array(found.circuit.p_fault, dtype=float)
    share = np.array(found.circuit.share, dtype=float)
    assert p_fault[before] < 0.1 < 0.9 < p_fault[after]
    assert share[after] < 0.1 < 0.8 < share[before]


def spans_of(
    store: Database, first_ms: int, last_ms: int
) -> dict[str, tuple[int, int, bool, bool]]:
    found = drawn(store, first_ms=first_ms, last_ms=last_ms, healthy=False)
    return {
        each.kind: (each.first_ms, each.last_ms, each.begins, each.ends)
        for each in found.alarms
    }


def test_alarms_are_cut_to_the_span(store: Database) -> None:
    with store.read() as conn:
        known: dict[str, Alarm] = {
            each.kind: each for each in ledger.alarms(conn, vehicle=TRUCK)
        }
    hot, stuck = known["over_temperature"], known["bypass_stuck"]
    assert hot.cleared_ms is not None
    assert stuck.active
    assert spans_of(store, START_MS, END_MS) == {
        "over_temperature": (hot.onset_ms, hot.cleared_ms, True, True),
        "bypass_stuck": (stuck.onset_ms, END_MS, True, False),
    }
    middle_ms = (hot.onset_ms + hot.cleared_ms) // 2
    assert spans_of(store, middle_ms, middle_ms + 60_000) == {
        "over_temperature": (middle_ms, middle_ms + 60_000, False, False),
        "bypass_stuck": (middle_ms, middle_ms + 60_000, False, False),
    }
    assert spans_of(store, START_MS, stuck.onset_ms - 1) == {}
    assert set(spans_of(store, hot.cleared_ms + 1, END_MS)) == {"bypass_stuck"}


def test_a_withdrawn_alarm_is_not_marked(store: Database, tmp_path: Path) -> None:
    own = day_store(tmp_path)
    with own.write() as tx:
        (alarm,) = ledger.alarms(tx, vehicle=TRUCK, kind="over_temperature")
        ledger.save(tx, replace(alarm, withdrawn=True))
    assert set(spans_of(own, START_MS, END_MS)) == {"bypass_stuck"}
    own.close()


def test_the_words_are_in_the_readers_units(store: Database) -> None:
    titles = [each.title for each in drawn(store, units=US, healthy=False).alarms]
    assert any("°F" in each for each in titles)


def test_nights_follow_the_clock_where_it_is_put_forward() -> None:
    """pandas' own calendar is the outside source; that night is an hour short."""
    zone = ZoneInfo("America/Denver")
    first = pd.Timestamp("2026-03-06T12:00", tz=zone)
    last = pd.Timestamp("2026-03-10T23:00", tz=zone)
    found = nights(ms(first), ms(last), zone)
    evenings = pd.date_range("2026-03-06T20:00", "2026-03-10T20:00", freq="D", tz=zone)
    mornings = pd.date_range("2026-03-07T06:00", "2026-03-11T06:00", freq="D", tz=zone)
    expected = [
        (ms(begin), min(ms(end), ms(last)))
        for begin, end in zip(evenings, mornings, strict=True)
    ]
    assert [(each.first_ms, each.last_ms) for each in found] == expected
    lengths = [(each.last_ms - each.first_ms) / HOUR_MS for each in found]
    assert lengths == [10, 9, 10, 10, 3]


def ms(moment: pd.Timestamp) -> int:
    return round(moment.timestamp() * 1000)


def test_what_is_not_known_is_null(store: Database) -> None:
    text = encode(drawn(store, signals=("fluid_temp_c", "cooler_out_temp_c")))
    plain = json.loads(text, parse_constant=pytest.fail)
    absent = plain["lines"][1]
    assert absent["name"] == "cooler_out_temp_c"
    assert set(absent["mean"]) == {None}
    assert plain["newest_ms"] == drawn(store).newest_ms


def test_the_table_says_what_the_lines_say(store: Database) -> None:
    found = drawn(store, healthy=False)
    rows = rows_of(found)
    assert 1 < len(rows) <= MOST_ROWS + 1
    fluid = [row.readings[0] for row in rows]
    assert min(each.low for each in fluid if each.low is not None) == extremes(found)[0]
    assert max(each.high for each in fluid if each.high is not None) == extremes(found)[1]
    assert all(row.first_ms < row.last_ms for row in rows)
    with store.read() as conn:
        raw = history.frame(history.samples(conn, TRUCK, rows[1].first_ms, rows[1].last_ms - 1))
    assert fluid[1].high == raw["fluid_temp_c"].max()


def test_a_truck_whose_account_is_out_of_date_still_has_its_lines(store: Database) -> None:
    with store.read() as conn:
        found = series(
            conn,
            replace(reader(), version="another"),
            TRUCK,
            first_ms=START_MS,
            last_ms=END_MS,
        )
    assert len(found.time_ms) > 100
    assert found.healthy is None
    assert "out of date" in found.healthy_why


def test_from_so_long_ago_that_no_state_is_kept_there_is_no_band(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = day_store(tmp_path)
    early = samples(500, 7)
    early["time_ms"] -= 9 * DAY_MS
    with own.write() as tx:
        (vehicle_id,) = tx.execute("SELECT id FROM vehicle WHERE name = ?", (TRUCK,)).fetchone()
        journal.append(tx, vehicle_id=vehicle_id, samples=early, received_ms=END_MS)
        tx.execute("DELETE FROM checkpoint WHERE vehicle_id = ?", (vehicle_id,))
    with own.read() as conn:
        stored = reader().truck(conn, TRUCK)
        assert stored.held is not None
        assert samples_before(conn, stored.held, START_MS) == len(early)
        assert samples_before(conn, stored.held, int(early["time_ms"][0])) == 0
    assert drawn(own).healthy is not None  # five hundred are nothing
    monkeypatch.setattr("review.series.MOST_BEFORE", 499)
    found = drawn(own)
    own.close()
    assert found.healthy is None
    assert found.healthy_why == NOT_KEPT


def test_before_its_first_sample_there_is_nothing_and_it_says_since_when(
    store: Database,
) -> None:
    found = drawn(store, first_ms=START_MS - 2 * DAY_MS, last_ms=START_MS - DAY_MS)
    assert found.time_ms == []
    assert found.oldest_ms is not None
    assert found.oldest_ms >= START_MS
    assert [(each.first_ms, each.last_ms) for each in found.gaps] == [
        (START_MS - 2 * DAY_MS, START_MS - DAY_MS)
    ]


def test_what_cannot_be_drawn_is_said(store: Database) -> None:
    with pytest.raises(UnknownTruck):
        drawn(store, "NF-99")
    with pytest.raises(Mistake, match="a minute at least"):
        drawn(store, last_ms=START_MS)
    with pytest.raises(Mistake, match=r"'gear' cannot be drawn; choose among fluid_temp_c"):
        drawn(store, signals=("gear",))
    with pytest.raises(Mistake, match="no signal was chosen"):
        drawn(store, signals=())


def test_all_signals_at_once_and_the_longest_span_with_a_band(store: Database) -> None:
    found = drawn(
        store,
        first_ms=END_MS - EVERY_SAMPLE_UP_TO_MS,
        last_ms=END_MS,
        signals=tuple(LABELS),
        units=replace(METRIC, zone=ZoneInfo("Australia/Lord_Howe")),
    )
    assert [line.name for line in found.lines] == list(LABELS)
    assert found.healthy is not None
    assert len(found.nights) >= 14
