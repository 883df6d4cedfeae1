"""The demo's two invented years, taken in as they would have come: samples, services, answers to alarms.

By the same kernel, fold, record and alarm ledger as everything else; only not as messages. Nobody is told of
anything: there is no channel and no plan of people, for what is long past is news to nobody.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alerts.life_rules import LATCHING
from alerts.policy import Policy
from deploy.batch import Rules
from deploy.database import Database
from deploy.past_deeds import happen
from deploy.past_months import Sealing, months
from deploy.pipeline import Pipeline
from ingest.codec import absent
from ingest.decoded import WireRules
from models.fleet import Fleet
from models.sample import SIGNAL_NAMES
from review.model_version import model_version
from review.trucks import CourseOf
from simulator.years.happenings import Happening
from simulator.years.moments import END_MS, START_MS
from simulator.years.northfold import driven
from simulator.years.stories import STORIES
from simulator.years.story import happenings

POLICY = Policy(latching=LATCHING)

Progress = Callable[[str, float], None]
"""Told what is being done and how much of it is [-]."""


def unseen(_what: str, _share: float) -> None:
    """Show no progress."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What is to be taken in: which trucks, from when on [Unix ms], and by which parameters."""

    fleet: Fleet
    courses: CourseOf
    max_gap_ms: int
    since_ms: int = START_MS
    trucks: tuple[str, ...] = tuple(STORIES)


@dataclass(slots=True)
class _Clock:
    now_ms: int

    def __call__(self) -> int:
        return self.now_ms


def take_in(database: Database, past: Past, progress: Progress = unseen) -> None:
    """Take the years into an empty store; what is older than it keeps goes into the archive."""
    drives = _drives(past, progress)
    sealing = Sealing(database.path, drives, first_ms=past.since_ms, max_gap_ms=past.max_gap_ms)
    with sealing.begun():
        _live(database, past, drives, progress)
        progress("putting old months into the archive", 0.0)
        sealing.finish(database)


def _live(
    database: Database, past: Past, drives: Mapping[str, NDArray[Any]], progress: Progress
) -> None:
    """Go through the years from one happening to the next."""
    clock = _Clock(past.since_ms)
    pipeline = Pipeline(
        database,
        registered=frozenset(past.fleet.vehicles),
        courses=past.courses,
        rules=_rules(),
        now_ms=clock,
    )
    intake = _Intake(
        database=database, past=past, pipeline=pipeline, clock=clock, drives=drives
    )
    for time_ms, happening in _timeline(past):
        progress("taking it in", (time_ms - past.since_ms) / (END_MS - past.since_ms))
        if happening is None:
            intake.go_on(time_ms)
        else:
            intake.happen(happening)
    pipeline.flush()


def samples_of(vehicle: str, *, since_ms: int = START_MS) -> NDArray[Any]:
    """Drive a truck's years; gives records ``models.sample.SAMPLE``."""
    readings = driven(vehicle, since_ms=since_ms)
    samples = absent(len(readings))
    for name in ("time_ms", *SIGNAL_NAMES):
        samples[name] = readings[name]
    return samples


def _drives(past: Past, progress: Progress) -> Mapping[str, NDArray[Any]]:
    found: dict[str, NDArray[Any]] = {}
    with ThreadPoolExecutor(2) as pool:
        tasks = [pool.submit(samples_of, each, since_ms=past.since_ms) for each in past.trucks]
        for number, (vehicle, task) in enumerate(zip(past.trucks, tasks, strict=True)):
            progress("driving", number / len(tasks))
            found[vehicle] = task.result()
    return found


def _rules() -> Rules:
    return Rules(
        wire=WireRules(),
        quarantine_rows=1,
        quarantine_bytes=1,
        refuse_unregistered=False,
        policy=POLICY,
        model_version=model_version(),
    )


def _timeline(past: Past) -> Iterator[tuple[int, Happening | None]]:
    """Give what happens and, between, the ends of the months: then all trucks go on."""
    told = [
        each
        for each in happenings()
        if each.vehicle in past.trucks and past.since_ms <= each.at_ms < END_MS
    ]
    ends = [(month.end_ms, None) for month in months(past.since_ms, END_MS)]
    yield from sorted(
        [*((each.at_ms, each) for each in told), *ends[:-1], (END_MS, None)],
        key=lambda pair: pair[0],
    )


@dataclass(slots=True, kw_only=True)
class _Intake:
    """Takes in what was driven, up to a moment, and what people did at it."""

    database: Database
    past: Past
    pipeline: Pipeline
    clock: _Clock
    drives: Mapping[str, NDArray[Any]]

    def go_on(self, time_ms: int) -> None:
        """Take in what all trucks drove until then."""
        for vehicle in self.past.trucks:
            self._drive(vehicle, time_ms)

    def happen(self, happening: Happening) -> None:
        """Take in what the truck drove until then, and what was done."""
        now_ms = happening.at_ms
        self._drive(happening.vehicle, now_ms)
        self.clock.now_ms = now_ms
        with self.database.write() as tx:
            happen(tx, self.past.fleet, POLICY, happening)
        self.pipeline.commit_record()

    def _drive(self, vehicle: str, until_ms: int) -> None:
        truck = self.pipeline.trucks.get(vehicle)
        times = self.drives[vehicle]["time_ms"]
        first = 0 if truck is None else int(np.searchsorted(times, truck.last_ms, "right"))
        end = int(np.searchsorted(times, until_ms))
        if end > first:
            self.clock.now_ms = int(times[end - 1])
            self.pipeline.commit_past(vehicle, self.drives[vehicle][first:end])
