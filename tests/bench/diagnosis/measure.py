"""Drive trucks and ask every judge, spread over processes."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from dataclasses import dataclass, replace

from models.kernel import warm_up
from tests.bench.diagnosis.baselines import cusum, fixed_limit
from tests.bench.diagnosis.draw import DAYS, HEALTHY_SHARE, Trial, trial
from tests.bench.diagnosis.judge import cannot_have, judge
from tests.bench.diagnosis.known import known_for
from tests.bench.diagnosis.outcome import Outcome
from tests.bench.diagnosis.road import Recording, record

DETECTORS = "detectors"
FIXED_LIMIT = "fixed limit"
CUSUM = "CUSUM"
JUDGES = (DETECTORS, FIXED_LIMIT, CUSUM)
CHUNK = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One truck to drive."""

    seed: int
    number: int
    healthy_share: float
    known_days: int = 0


def drive(task: Task) -> tuple[Trial, Recording]:
    """Drive one truck."""
    drawn = known_for(
        trial(task.seed, task.number, healthy_share=task.healthy_share), task.known_days
    )
    return drawn, record(drawn)


def truth(drawn: Trial, recording: Recording) -> Outcome:
    """Say what was so, before anybody judged."""
    fault = drawn.fault
    return Outcome(
        number=drawn.number,
        label=drawn.label,
        drives=drawn.drives,
        days=drawn.days,
        gradual=fault is not None and (fault.ramp_s > 0.0 or fault.kind == "sensor_drift"),
        slip_told="lockup_slip_rpm" in drawn.plan.fit.signals,
        whole=drawn.whole,
        position=drawn.plan.fit.position,
        cannot=cannot_have(drawn.plan.registration),
        since_s=None if fault is None else fault.since_s,
        shows_s=recording.shows_s,
        plain_s=recording.plain_s,
        hot_s=tuple(recording.hot_s.tolist()),
    )


def outcome(drawn: Trial, recording: Recording) -> Outcome:
    """Ask every judge."""
    samples = recording.samples
    alarms, stated = judge(samples, drawn.plan.registration)
    beyond = drawn.plan.fit.position != "sump"
    every = {
        DETECTORS: alarms,
        FIXED_LIMIT: fixed_limit(samples, beyond_converter=beyond),
        CUSUM: cusum(samples),
    }
    return replace(truth(drawn, recording), alarms=every, stated=stated)


def measured(task: Task) -> Outcome:
    """Drive one truck and ask every judge."""
    return outcome(*drive(task))


def tasks(
    seed: int, truck_days: int, *, healthy: bool = False, known_days: int = 0
) -> list[Task]:
    """Give the trucks that make up at least so many days; ``healthy``: none of them fails.

    ``known_days``: how long each has been driven before its own days, which count too.
    """
    share = 1.0 if healthy else HEALTHY_SHARE
    trucks = -(-truck_days // (known_days + DAYS))
    return [
        Task(seed=seed, number=number, healthy_share=share, known_days=known_days)
        for number in range(trucks)
    ]


def outcomes(todo: list[Task], *, jobs: int) -> Iterator[Outcome]:
    """Measure all, in order; the same whatever the number of processes."""
    warm_up()
    if jobs == 1:
        yield from map(measured, todo)
        return
    with multiprocessing.Pool(jobs) as pool:
        yield from pool.imap(measured, todo, CHUNK)
