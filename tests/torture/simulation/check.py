"""What must be true when a simulation is over (I1 to I6 of the plan), apart from the system under test.

It knows what the trucks said and the broker took, what arrived at the far sides, what people entered, and
the kernel alone, run once over the samples in order of time.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from alerts import journal
from alerts.watch import EVERYBODY, SILENT
from deploy.database import read_only
from ingest import held as holding
from ingest import record
from ingest.fold import catch_up
from models.course import run
from models.kernel import STATE
from models.layout import blank
from models.sample import SIGNAL_NAMES
from models.transition import Transition
from review.events import transitions
from tests.deploy.store import COURSES, story
from tests.recorded import merged
from tests.torture.checker import stored
from tests.torture.notice_checker import committed, compare
from tests.torture.simulation.far_side import PEOPLE, WEB
from tests.torture.simulation.world import World

Samples = dict[str, dict[int, dict[str, float]]]


def problems(world: World) -> list[str]:
    """Find everything that is not as it must be."""
    sent = _sent(world)
    refused = _refused(world)
    return [
        *world.ahead,
        *_stored_once(world, sent, refused),
        *_counted(world, sent, refused),
        *_as_replayed(world, sent, refused),
        *_told(world),
        *_entered(world),
        *_added_up(world),
    ]


def _sent(world: World) -> Samples:
    """Give what the broker took of each truck, by sample time."""
    found: Samples = {}
    for said in world.said:
        of_truck = found.setdefault(said.vehicle, {})
        for sample in said.samples.values():
            of_truck[int(sample["time_ms"])] = sample
    return found


def _refused(world: World) -> set[tuple[str, int]]:
    """Give trucks and times of samples that lie in quarantine: refused as from the future."""
    with read_only(world.store) as conn:
        rows = conn.execute(
            "SELECT vehicle, raw FROM quarantine WHERE reason = 'future'"
        ).fetchall()
    found = set()
    for vehicle, raw in rows:
        body = json.loads(raw)
        for each in body if isinstance(body, list) else [body]:
            found.add((vehicle, round(each["time"] * 1000)))
    return found


def _stored_once(world: World, sent: Samples, refused: set[tuple[str, int]]) -> Iterator[str]:
    """I1: what was acknowledged to the truck is stored exactly once, or in quarantine."""
    live = stored(world.store)
    for vehicle, samples in sent.items():
        rows = live.rows.get(vehicle, [])
        times = Counter(time_ms for time_ms, _ in rows)
        for time_ms in samples:
            if not times[time_ms] and (vehicle, time_ms) not in refused:
                yield f"I1 lost: {vehicle} {time_ms}"
        for time_ms, values in rows:
            if times[time_ms] > 1:
                yield f"I1 doubled: {vehicle} {time_ms}"
            if not _same(samples.get(time_ms), values):
                yield f"I1 altered: {vehicle} {time_ms}"
    nonsense = Counter((said.vehicle, said.payload) for said in world.said if not said.samples)
    with read_only(world.store) as conn:
        kept = {
            (row[0], bytes(row[1]))
            for row in conn.execute("SELECT vehicle, raw FROM quarantine")
        }
    for vehicle, payload in nonsense:
        if (vehicle, payload) not in kept and not any(
            raw in payload for of, raw in kept if of == vehicle
        ):
            yield f"I1 nonsense not kept: {vehicle} {payload!r}"


def _same(sample: dict[str, float] | None, values: tuple[float, ...]) -> bool:
    if sample is None:
        return False
    return all(
        value == sample.get(name) or (math.isnan(value) and name not in sample)
        for name, value in zip(SIGNAL_NAMES, values, strict=True)
    )


def _counted(world: World, sent: Samples, refused: set[tuple[str, int]]) -> Iterator[str]:
    """I2: what a truck never managed to send is counted as missing, and nothing else is."""
    if refused:
        return  # of what was refused the counter has come
    live = stored(world.store)
    for vehicle in sent:
        have = {seq for said in world.said if said.vehicle == vehicle for seq in said.samples}
        gone = {
            seq
            for said in world.never
            if said.vehicle == vehicle
            for seq in said.samples
            if seq < max(have)
        }
        if live.missing.get(vehicle) != len(gone - have):
            yield f"I2 {vehicle}: {live.missing.get(vehicle)} missing, {len(gone)} never sent"


def _as_replayed(world: World, sent: Samples, refused: set[tuple[str, int]]) -> Iterator[str]:
    """I3, I5: states, transitions and standing alarms are those of a clean run of what is stored."""
    live = stored(world.store)
    expected: list[Transition] = []
    for vehicle, samples in sent.items():
        rows = {time_ms for time_ms, _ in live.rows.get(vehicle, [])}
        table, _ = merged([samples[time_ms] for time_ms in samples if time_ms in rows])
        if not len(table):
            continue
        entries = [entry for entry in world.people.entries if entry.vehicle == vehicle]
        state = blank(STATE)
        expected += transitions(vehicle, run(COURSES(vehicle, entries), state, table))
        if _state(world, vehicle) != state.tobytes():
            yield f"I3 the state of {vehicle} differs"
    if story(live.transitions) != story(expected):
        yield f"I3 transitions differ: {len(live.transitions)} live, {len(expected)} replayed"
    yield from _standing(world, expected)


def _state(world: World, vehicle: str) -> bytes:
    """Give a truck's state as the next start would take it up."""
    with read_only(world.store) as conn:
        course = COURSES(vehicle, record.effective(conn, vehicle, taken_only=True))
        held = holding.load(conn, vehicle, course, "tests")
        return b"" if held is None else catch_up(conn, held).state.tobytes()


def _standing(world: World, expected: list[Transition]) -> Iterator[str]:
    last = {}
    for one in sorted(expected, key=lambda each: each.time_ms):
        last[one.vehicle, one.kind] = one.active
    causes = {key for key, active in last.items() if active and key[1] != SILENT}
    with read_only(world.store) as conn:
        standing = {
            (alarm.vehicle, alarm.kind)
            for alarm in journal.standing(conn)
            if alarm.active and alarm.kind != SILENT and alarm.vehicle != EVERYBODY
        }
    for key in standing - causes:
        yield f"I5 stands without cause: {key}"
    for key in causes - standing:
        yield f"I5 cleared without evidence: {key}"


def _told(world: World) -> Iterator[str]:
    """I4: each telling arrived at each destination, under one id, in order; each alarm was told."""
    # An alarm of everybody at once names nobody.
    told = [
        replace(one, vehicle="") if one.vehicle == EVERYBODY else one
        for one in committed(world.store)
    ]
    verdict = compare(told, world.arrived, (PEOPLE, WEB))
    for problem in verdict.problems:
        yield f"I4 {problem}"
    if world.people.holds:
        return
    with read_only(world.store) as conn:
        every = journal.alarms(conn)
    alarms = [alarm for alarm in every if not alarm.withdrawn]
    alarm_of = {alarm.id: (alarm.vehicle, alarm.kind) for alarm in every}
    known = {(one.alarm, one.destination) for one in told}
    # What comes and goes is told as that, by one alarm for all of them.
    chattering = {alarm_of[one.alarm] for one in told if one.matter == "chatter"}
    for alarm in alarms:
        if (alarm.vehicle, alarm.kind) in chattering:
            continue
        for destination in (PEOPLE, WEB):
            if (alarm.id, destination) not in known and alarm.kind != SILENT:
                yield f"I4 never told: {alarm.kind} of {alarm.vehicle} to {destination}"


def _entered(world: World) -> Iterator[str]:
    """Say whether the record counts what people entered."""
    with read_only(world.store) as conn:
        (untaken,) = conn.execute(
            "SELECT count(*) FROM service_entry WHERE id NOT IN (SELECT entry_id FROM service_taken)"
        ).fetchone()
    if untaken:
        yield f"I3 {untaken} entries were never taken up"


def _added_up(world: World) -> Iterator[str]:
    """I6: received = stored + repeated + refused, in the last life."""
    counts: Any = world.counts
    parts = counts.stored + counts.repeated + counts.refused
    if counts.received != parts:
        yield f"I6 received {counts.received}, stored, repeated and refused {parts}"
