"""The central promise: what is kept depends on which samples came, and on nothing else.

The oracle is the kernel alone, run once over the merged samples: an error that every way of cutting and
shuffling shares would be seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from deploy.database import Database
from ingest import fold
from ingest.message import Message
from tests.deploy.store import Kept, kept, pipeline, store, undisturbed
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, message

Day = list[dict[str, float]]

SLOW = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def days(draw: st.DrawFn) -> Day:
    """Some hours of a truck: pulls, cool stretches, gaps, standing, missing signals."""
    day: Day = []
    now_ms = NOON_MS + 137
    odometer = 50_000.0
    for _ in range(draw(st.integers(1, 6))):
        minutes = draw(st.integers(2, 90))
        stretch = climb(
            minutes,
            start_ms=now_ms,
            start_c=draw(st.sampled_from([20.0, 80.0, 112.0, 121.5])),
            slope_k_min=draw(st.sampled_from([-0.5, 0.0, 0.3, 1.7, 3.0])),
            torque_nm=draw(st.sampled_from([0.0, 250.0, 700.0])),
            highest_c=draw(st.sampled_from([95.0, 118.0, 141.0])),
            speed_km_h=draw(st.sampled_from([0.0, 60.0])),
        )
        for sample in stretch:
            sample["odometer_km"] = round(odometer + (sample["time_ms"] - now_ms) / 60_000.0, 1)
        for name in draw(st.sets(st.sampled_from(["lockup", "ambient_temp_c", "gear"]))):
            for sample in stretch:
                del sample[name]
        day += stretch
        pause_min = draw(st.sampled_from([1, 4, 6, 14, 17, 240, 3000]))
        now_ms += (minutes + pause_min) * MINUTE_MS
        odometer += minutes + draw(st.sampled_from([0.0, 40.0]))
    return day


def _spoil(rng: Random, day: Day) -> Day:
    """Send some samples again with other values, or with parts missing."""
    extra: Day = []
    for sample in rng.sample(day, k=min(len(day), rng.randint(0, 12))):
        again = dict(sample)
        name = rng.choice(["fluid_temp_c", "speed_km_h", "odometer_km", "lockup"])
        if name in again:
            again[name] = (
                1.0 - again[name] if name == "lockup" else again[name] + rng.choice([-2, 3])
            )
            again[name] = max(0.0, again[name])
        for gone in rng.sample(sorted(set(again) - {"time_ms", name}), k=rng.randint(0, 3)):
            del again[gone]
        extra.append(again)
    return extra


def _messages(rng: Random, vehicle: str, samples: Day, disorder: str) -> list[Message]:
    """Cut a truck's samples into messages, in one of several kinds of disorder."""
    order = list(samples)
    if disorder == "shuffled":
        rng.shuffle(order)
    elif disorder == "backlog":
        first = rng.randint(0, len(order))
        last = rng.randint(first, len(order))
        order = order[:first] + order[last:] + order[first:last]
    elif disorder == "newest first":
        order.reverse()
    cut: list[Message] = []
    position = 0
    while position < len(order):
        count = rng.choice([1, 1, 2, 7, 40])
        cut.append(message(vehicle, order[position : position + count]))
        position += count
    return cut


def _commit_all(rng: Random, folder: Path, messages: Sequence[Message], restarts: bool) -> Kept:
    """Commit in batches of random size, at times with a new process on the same file."""
    name = "disturbed.db"
    database = Database(folder / name, synchronous="off")
    running = pipeline(database)
    position = 0
    while position < len(messages):
        count = rng.choice([1, 2, 5, 30, 200])
        running.commit(messages[position : position + count])
        position += count
        if restarts and rng.random() < 0.3:
            database.close()
            database = Database(folder / name, synchronous="off")
            running = pipeline(database)
    in_memory = {name: held.state.tobytes() for name, held in running.trucks.items()}
    found = kept(database)
    database.close()
    assert found[0] == in_memory
    return found


def _disturbed(
    seed: int, sent: Mapping[str, Day], disorder: str, restarts: bool, folder: Path
) -> Kept:
    rng = Random(seed)
    queues = [_messages(rng, vehicle, day, disorder) for vehicle, day in sent.items()]
    line = [one for queue in queues for one in queue]
    again = rng.sample(line, k=rng.randint(0, min(len(line), 10)))
    if disorder == "shuffled":
        line += again
        rng.shuffle(line)
    else:
        for one in again:
            line.insert(rng.randint(0, len(line)), one)
    return _commit_all(rng, folder, line, restarts)


@SLOW
@given(
    first=days(),
    second=days(),
    seed=st.integers(0, 2**32),
    disorder=st.sampled_from(["in order", "backlog", "newest first", "shuffled"]),
    restarts=st.booleans(),
    checkpoint_ms=st.sampled_from([MINUTE_MS, 20 * MINUTE_MS, HOUR_MS]),
    chunk=st.sampled_from([1, 13, 20_000]),
)
def test_any_order_cut_and_repetition_ends_in_the_same(
    first: Day,
    second: Day,
    seed: int,
    disorder: str,
    restarts: bool,
    checkpoint_ms: int,
    chunk: int,
) -> None:
    rng = Random(seed + 1)
    sent = {"NF-01": first + _spoil(rng, first), "NF-02": second + _spoil(rng, second)}
    expected = undisturbed(sent)
    for kind in sorted({one[2] for one in expected[1]}):
        event(f"with {kind}")
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(fold, "CHECKPOINT_MS", checkpoint_ms)
        patch.setattr(fold, "_CHUNK", chunk)
        states, found, losers = _disturbed(seed, sent, disorder, restarts, Path(folder))
    assert found == expected[1]
    assert losers == expected[2]
    assert states == expected[0]


def test_the_promise_is_not_empty() -> None:
    # A day like those above, long enough to raise what the detectors look for.
    day = climb(200, slope_k_min=0.6) + climb(90, start_ms=NOON_MS + 5 * HOUR_MS, start_c=80.0)
    kinds = {one[2] for one in undisturbed({"NF-01": day})[1]}
    assert kinds >= {"over_temperature", "service_due", "bypass_stuck", "gateway_silent"}


@pytest.mark.parametrize("hours", [1, 30, 100])
def test_a_sample_older_than_all_checkpoints_is_still_folded_in_its_place(
    tmp_path: Path, hours: int
) -> None:
    # Checkpoints older than two days are thinned to one a day; none is left before the first.
    day = climb(hours * 60, period_ms=3 * MINUTE_MS, start_c=90.0, slope_k_min=0.01)
    late = day[5]
    rest = [sample for sample in day if sample is not late]
    with store(tmp_path) as database:
        running = pipeline(database)
        for position in range(0, len(rest), 50):
            running.commit([message("NF-01", rest[position : position + 50])])
        running.commit([message("NF-01", [late])])
        assert running.counts.late == 1
        assert kept(database) == undisturbed({"NF-01": day})
        with database.read() as conn:
            kept_points = conn.execute("SELECT count(*) FROM checkpoint").fetchone()[0]
    assert kept_points <= 48 + 6 + hours // 24


def test_a_late_sample_that_says_nothing_new_changes_nothing(tmp_path: Path) -> None:
    day = climb(300)
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", day)])
        before = running.trucks["NF-01"].state
        lower = {**day[10], "fluid_temp_c": day[10]["fluid_temp_c"] - 1.0}
        running.commit([message("NF-01", [day[3], lower])])
        assert running.trucks["NF-01"].state is before
        assert (running.counts.repeated, running.counts.late) == (2, 0)
        assert kept(database)[2] == {
            ("NF-01", int(lower["time_ms"]), "fluid_temp_c", lower["fluid_temp_c"])
        }


def test_the_disorders_keep_every_sample() -> None:
    # The generator must not lose what the property is about.
    day = climb(60)
    for disorder in ("in order", "backlog", "newest first", "shuffled"):
        bodies = b"".join(m.payload for m in _messages(Random(1), "NF-01", day, disorder))
        assert bodies.count(b'"time"') == len(day)
