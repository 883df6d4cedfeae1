"""Choose the settings of the two baselines: ``python -m tests.bench.diagnosis.tune``.

On the tuning trucks alone. The rule: of the settings with at most ``MOST_FALSE`` false alarms a
truck-year, the one that detects most faults of the circuit.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from tests.bench.diagnosis.baselines import cusum, fixed_limit  # noqa: E402 -- see above
from tests.bench.diagnosis.draw import KINDS, TUNING_SEED  # noqa: E402 -- see above
from tests.bench.diagnosis.measure import Task, drive, tasks, truth  # noqa: E402 -- see above
from tests.bench.diagnosis.outcome import Alarm, Outcome  # noqa: E402 -- see above
from tests.bench.diagnosis.score import Share, false_alarms, find  # noqa: E402 -- see above

MOST_FALSE = 5.0
"""False alarms a truck-year that a baseline may have [1/a]; own choice, a hundred times what the
detectors are allowed: with less the CUSUM would find nothing."""

LIMITS_C = (105.0, 110.0, 115.0, 118.0, 121.0, 125.0, 130.0)
DELAYS_S = (60.0, 180.0, 600.0)
DECISIONS = (25.0, 50.0, 100.0, 200.0, 300.0, 400.0, 600.0)


def _judged(task: Task) -> Outcome:
    drawn, recording = drive(task)
    beyond = drawn.plan.fit.position != "sump"
    alarms: dict[str, tuple[Alarm, ...]] = {}
    for limit_c in LIMITS_C:
        for delay_s in DELAYS_S:
            alarms[f"fixed limit {limit_c:.0f} °C {delay_s:.0f} s"] = fixed_limit(
                recording.samples, beyond_converter=beyond, limit_c=limit_c, delay_s=delay_s
            )
    for decision in DECISIONS:
        alarms[f"CUSUM {decision:.0f}"] = cusum(recording.samples, decision=decision)
    return replace(truth(drawn, recording), alarms=alarms)


def _detected(outcomes: Sequence[Outcome], setting: str) -> Share:
    circuit = {kind.label for kind in KINDS if not kind.of_sensor}
    found = [
        find(one, setting, frozenset())
        for one in outcomes
        if one.label in circuit and one.shows_s is not None
    ]
    return Share(hits=sum(one.alarm is not None for one in found), of=len(found))


def grid(outcomes: Sequence[Outcome]) -> Mapping[str, tuple[float, float]]:
    """Give, by setting, false alarms a truck-year and the share of the circuit's faults detected."""
    return {
        setting: (
            false_alarms(outcomes, setting).per_year,
            _detected(outcomes, setting).share,
        )
        for setting in outcomes[0].alarms
    }


def main() -> int:
    """Print the grid."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=800, help="truck-days to simulate")
    asked = parser.parse_args()
    with multiprocessing.Pool(2) as pool:
        outcomes = pool.map(_judged, tasks(TUNING_SEED, asked.days))
    for setting, (false_a_year, detected) in grid(outcomes).items():
        mark = "" if false_a_year <= MOST_FALSE else "  too many false alarms"
        sys.stdout.write(
            f"{setting}: {detected:.1%} detected, {false_a_year:.1f} false a truck-year{mark}\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
