"""What a batch does, and that a batch which fails does nothing."""

from __future__ import annotations

from pathlib import Path

from deploy.batch import Position
from deploy.pipeline import Pipeline
from ingest import inbox, quarantine
from ingest.message import Message
from models.fleet import Fleet, Limits, Vehicle
from review.trucks import courses_of
from tests.deploy.store import (
    FLEET,
    kept,
    pipeline,
    store,
    undisturbed,
)
from tests.recorded import MINUTE_MS, NOON_MS, climb, message

DAY = climb(200, slope_k_min=0.6)


def _in_batches(running: Pipeline, vehicle: str, count: int = 40) -> None:
    for position in range(0, len(DAY), count):
        running.commit([message(vehicle, DAY[position : position + count])])


def _memory(running: Pipeline) -> dict[str, tuple[bytes, int, int, object]]:
    return {
        name: (held.state.tobytes(), held.last_ms, held.checkpoint_ms, held.sequence)
        for name, held in running.trucks.items()
    }


def test_the_position_is_the_newest_sample_and_the_counter_without_gap(tmp_path: Path) -> None:
    body = b'[{"time":1767268800.5,"seq":1,"gear":1},{"time":1767268801,"seq":2,"gear":1}]'
    with store(tmp_path) as database:
        running = pipeline(database)
        topic = "fleet/NF-01/telemetry"
        assert running.commit([Message(topic=topic, payload=body)]) == [
            Position(vehicle="NF-01", time_ms=1_767_268_801_000, seq=2)
        ]
        gap = b'{"time":1767268805,"seq":6,"gear":1}'
        (after,) = running.commit([Message(topic=topic, payload=gap)])
        assert (after.time_ms, after.seq) == (1_767_268_805_000, 2)


def test_a_refused_sample_does_not_hold_up_the_counter(tmp_path: Path) -> None:
    """Its bytes are safe in quarantine: a gateway that waited for it would wait for ever."""
    topic = "fleet/NF-01/telemetry"
    good = b'{"time":1767268800,"seq":1,"gear":1}'
    mixed = b'[{"time":1767268801,"seq":2,"gear":"x"},{"time":1767268802,"seq":3,"gear":1}]'
    broken = b'{"time":1767268803,"seq":4,"gear":NaN}'
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([Message(topic=topic, payload=good)])
        (after,) = running.commit([Message(topic=topic, payload=mixed)])
        assert after.seq == 3
        (after,) = running.commit([Message(topic=topic, payload=broken)])
        assert after.seq == 4


def test_a_status_alone_gives_no_position(tmp_path: Path) -> None:
    payload = b'{"online":true,"time":1767268800}'
    with store(tmp_path) as database:
        running = pipeline(database)
        assert running.commit([Message(topic="fleet/NF-01/status", payload=payload)]) == []
        assert running.trucks["NF-01"].online is True
        assert pipeline(database).trucks["NF-01"].online is True


def test_received_is_stored_and_repeated_and_refused(tmp_path: Path) -> None:
    bad = b'[{"time":1767268800,"gear":1},{"time":1767268801,"gear":99}]'
    with store(tmp_path) as database:
        running = pipeline(database)
        batch = [
            message("NF-01", DAY[:10]),
            message("NF-01", DAY[5:15]),
            Message(topic="fleet/NF-02/telemetry", payload=bad),
            Message(topic="fleet/NF-02/telemetry", payload=b"{"),
        ]
        running.commit(batch)
        counts = running.counts
        assert (counts.messages, counts.stored, counts.repeated) == (4, 16, 5)
        assert (counts.refused, counts.late, counts.commits) == (2, 0, 1)


def test_unknown_fields_are_counted_by_name(tmp_path: Path) -> None:
    body = b'{"time":1767268800,"gear":1,"mood":"good"}'
    with store(tmp_path) as database:
        running = pipeline(database)
        for _ in range(3):
            running.commit([Message(topic="fleet/NF-01/telemetry", payload=body)])
        with database.read() as conn:
            rows = conn.execute("SELECT name, times FROM unknown_field").fetchall()
    assert rows == [("mood", 3)]


def test_an_unregistered_truck_is_refused_only_when_the_settings_say_so(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        strict = pipeline(database, refuse_unregistered=True)
        strict.commit([message("XX-9", DAY[:5]), message("NF-01", DAY[:5])])
        assert set(strict.trucks) == {"NF-01"}
        with database.read() as conn:
            (entry,) = quarantine.listing(conn)
        assert (entry.reason, entry.vehicle, entry.field) == ("unregistered", "XX-9", "topic")
        lenient = pipeline(database)
        lenient.commit([message("XX-9", DAY[:5])])
        assert set(lenient.trucks) == {"NF-01", "XX-9"}


def test_what_a_person_mended_goes_in_once(tmp_path: Path) -> None:
    mended = message("NF-01", DAY[:3])
    with store(tmp_path) as database:
        running = pipeline(database)
        assert running.commit_inbox() == []
        with database.write() as tx:
            inbox.put(tx, topic=mended.topic, payload=mended.payload)
        (position,) = running.commit_inbox()
        assert position.time_ms == DAY[2]["time_ms"]
        assert running.commit_inbox() == []
        assert running.counts.stored == 3


def test_a_new_process_goes_on_where_the_old_one_stopped(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        first = pipeline(database)
        _in_batches(first, "NF-01")
        assert _memory(pipeline(database)) == _memory(first)


def test_changed_parameters_rebuild_from_the_journal(tmp_path: Path) -> None:
    hotter = courses_of(
        Fleet(
            vehicles={
                **FLEET.vehicles,
                "NF-01": Vehicle(name="NF-01", limits=Limits(over_temperature_c=190.0)),
            }
        ),
        max_gap_s=300.0,
        silent_after_s=900.0,
    )
    with store(tmp_path) as database:
        _in_batches(pipeline(database), "NF-01")
        before = kept(database)
        assert "over_temperature" in {one[2] for one in before[1]}
        changed = pipeline(database, courses=hotter)
        assert kept(database, hotter) == undisturbed({"NF-01": DAY}, hotter)
        assert "over_temperature" not in {one[2] for one in kept(database, hotter)[1]}
        changed.commit([message("NF-01", climb(5, start_ms=NOON_MS + 200 * MINUTE_MS))])
        # And back: the first account comes back with the first parameters.
        pipeline(database)
        again = DAY + climb(5, start_ms=NOON_MS + 200 * MINUTE_MS)
        assert kept(database) == undisturbed({"NF-01": again})


def test_changed_models_rebuild_too(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        _in_batches(pipeline(database), "NF-01")
        expected = kept(database)
        with database.write() as tx:
            # As if another version had left other states behind.
            tx.execute("UPDATE vehicle_state SET state = zeroblob(length(state))")
            tx.execute("UPDATE checkpoint SET state = zeroblob(length(state))")
            tx.execute("DELETE FROM transition")
        running = pipeline(database, model_version="another")
        assert kept(database, model_version="another") == expected
        late = [{**DAY[30], "fluid_temp_c": 140.0}]
        running.commit([message("NF-01", late)])
        assert kept(database, model_version="another") == undisturbed({"NF-01": DAY + late})


def test_no_checkpoint_of_other_parameters_is_gone_back_to(tmp_path: Path) -> None:
    used = courses_of(
        Fleet(vehicles={"NF-01": Vehicle(name="NF-01", life_used_at_start=0.5)}),
        max_gap_s=300.0,
        silent_after_s=900.0,
    )
    late = DAY[150]
    early = DAY[:150] + DAY[151:]
    with store(tmp_path) as database:
        running = pipeline(database)
        for position in range(0, len(early), 10):
            running.commit([message("NF-01", early[position : position + 10])])
        changed = pipeline(database, courses=used)
        changed.commit([message("NF-01", [late])])
        assert kept(database, used) == undisturbed({"NF-01": DAY}, used)
