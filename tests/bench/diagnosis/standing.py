"""What a cooler's line that stands can tell of a stuck valve: ``python -m tests.bench.diagnosis.standing``.

Where the fluid is read in the line to the cooler and the valve is stuck, the sump is not seen, and the line
stands somewhere between air and fluid, by a leak that nobody knows. It tells that nothing flows. But a sound
valve lets nothing flow either until the sump has warmed up to its opening, and the line may be as hot as the
sump. So what is left is whether the heat put in must have warmed the sump beyond both. Of its rise each
warm-up of a sound truck shows something else (``RISE_SD``); in those standard deviations the sump is beyond.
A drive may be taken for a fault so seldom that the allowed rate of false alarms holds.

As ``bound.py`` it is generous: it knows the truck's own ratio of heat to heat capacity and where its valve
opens, and that a cold line is not one of a valve stuck open.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.parameters import FALSE_ALARMS_PER_H  # noqa: E402 -- see above
from simulator.physics.truck import Truck  # noqa: E402 -- see above
from tests.bench.diagnosis.bound import AIMS, first_found, numbers_of  # noqa: E402 -- see above
from tests.bench.diagnosis.detectability import chance  # noqa: E402 -- see above
from tests.bench.diagnosis.draw import Trial, ask_for_trucks, seed_of, trial  # noqa: E402 -- see above
from tests.bench.diagnosis.twins import Seen, beside_sound  # noqa: E402 -- see above

RISE_SD = {"pickup": 0.067, "medium": 0.073, "heavy": 0.139}
"""How far the sump's rise by the heat put in, as ``models.circuit`` has it, is off in one warm-up beside the
truck's others, ln of the ratio [-]: 203 sound tuning trucks, each cold start until the line shows flow."""

START_SD_K, FLOWED_SD_K = 3.0, 4.0
"""Error of the sump at a start, and where the line showed it last [K]; own choice."""

OPENS_LATE_K, STANDS_BELOW_K = 3.0, 10.0
"""How far above its opening a valve shows flow, and how far below it a line stands for sure [K]; own choice:
lag and play."""

FALSE_ALARMS_PER_DRIVE = 1.5 * FALSE_ALARMS_PER_H
"""False alarms allowed in a drive [-], of an hour and a half."""

AIM = next(aim for aim in AIMS if aim.position == "cooler_line")
"""The trucks it speaks of, and until when they are looked at: plain and under load, to the last drive."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far the sump was beyond what the line allows, at most until the fluid was spent, and ever [standard
    deviations]; minus infinity: it never was."""

    truck_class: str
    in_time_sd: float
    ever_sd: float


class Sump:
    """What is known of a sump that is not seen: where it was when last known [°C], and how well [K]."""

    def __init__(self, opens_c: float, rise_sd: float) -> None:
        self._opens_c, self._rise_sd = opens_c, rise_sd
        self._known_c, self._known_sd_k = math.nan, START_SD_K
        self._runs = False

    def look(self, truck: Truck, *, runs: bool, sound: bool) -> None:
        """Note a start, or that a sound valve lets the line show the sump."""
        sump_c = truck.thermal.sump_c
        if runs and not self._runs:
            self._known_c, self._known_sd_k = sump_c, START_SD_K
        if runs and sound and sump_c > self._opens_c:
            self._known_c, self._known_sd_k = sump_c, FLOWED_SD_K
        self._runs = runs

    def beyond_sd(self, truck: Truck) -> float:
        """How far it is beyond what a sound truck could have with this line [standard deviations]."""
        sump_c, line_c = truck.thermal.sump_c, truck.thermal.line_c
        hot_before = self._known_c >= self._opens_c
        if hot_before and line_c > self._opens_c - STANDS_BELOW_K:
            return -math.inf  # it may still flow
        error_k = math.hypot(self._known_sd_k, self._rise_sd * max(0.0, sump_c - self._known_c))
        return (sump_c - max(self._opens_c + OPENS_LATE_K, line_c)) / error_k


def standing(one: Trial) -> Standing | None:
    """Drive a truck whose valve sticks; None: the fault is never plain, or it does not tow after."""
    if one.fault is None:
        return None
    truck_class = one.plan.registration.truck_class
    sump = Sump(one.plan.spec.thermal.valve_open_c, RISE_SD[truck_class])
    in_time_sd = ever_sd = -math.inf
    last = Seen()
    for step, last, truck in beside_sound(one):
        begun, runs = step.now_s >= one.fault.since_s, step.segment.engine_on
        sump.look(truck, runs=runs, sound=not begun)
        if not (begun and runs):
            continue
        ever_sd = max(ever_sd, sump.beyond_sd(truck))
        if math.isinf(last.spent_s):
            in_time_sd = ever_sd
    if AIM.until(one, last) is None:
        return None
    return Standing(truck_class=truck_class, in_time_sd=in_time_sd, ever_sd=ever_sd)


def found(beyond_sd: float) -> float:
    """Chance that a test finds it that holds the allowed rate [-]."""
    return chance(beyond_sd, FALSE_ALARMS_PER_DRIVE)


def _of(job: tuple[int, int]) -> Standing | None:
    return standing(trial(*job))


def main(arguments: Sequence[str] | None = None) -> int:
    """Drive and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.diagnosis.standing")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first truck looked at"
    )
    parser.add_argument("--trucks", type=int, default=1_000, help="how many are looked at")
    ask_for_trucks(parser)
    asked = parser.parse_args(arguments)
    seed = seed_of(asked)
    looked_at = range(asked.first, asked.first + asked.trucks)
    todo = [(seed, number) for number in numbers_of(AIM, seed, looked_at)]
    some = first_found(_of, todo, asked.jobs)
    if not some:
        sys.stdout.write("no such truck\n")
        return 0
    in_time = np.mean([found(one.in_time_sd) for one in some])
    ever = np.mean([found(one.ever_sd) for one in some])
    sys.stdout.write(
        f"seed {seed}, {len(some)} stuck valves read in the cooler's line, plain and under load: at most "
        f"{ever:.0%} found, {in_time:.0%} before 5 min above 130 °C\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
