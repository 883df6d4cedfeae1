"""What any detector could find, by an information bound: ``python -m tests.bench.diagnosis.bound``.

A fault adds to each reading what parts the truck from the same truck without it (``twins.py``). Let ``d`` be
that, and ``C`` the covariance of all that is not known. The best test of "this fault, this size, since then"
against "sound" (Neyman and Pearson) has a separation of ``d' = sqrt(dᵀ C⁻¹ d)`` standard deviations, and at a
probability ``a`` of a false alarm it finds ``Φ(d' - Φ⁻¹(1 - a))``. ``a`` is the allowed rate times the hours
driven since the fault began. No detector that must hold that rate does better: a real one knows neither
fault nor size nor time. Two bounds:

- *known*: the truck is known perfectly, ``C`` is the noise of its sensors (a matched filter);
- *learned*: the truck's own values are unknown by the spread of its class and learned from all its readings,
  those before the fault too (``C`` gains the outer product of what each can mimic: linear and Gaussian), and
  what a model of the fluid gets wrong is AR(1), of a stated standard deviation and ``MODEL_S``.

Temperatures that the truck measures count, and, for slip, the engine's speed against the road's while locked.
Trucks are those of the reported table (seed 97, in its order) that the target speaks of; ``DEVELOPERS.md``
has the table. "As ours" is our own model as it has its error itself (``models.balance_error``). Of a stuck
valve read in the cooler's line this says too much, since differences about a sound truck know its leak:
``standing.py`` bounds that.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import sys
import time
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.balance_error import UNTOLD, error_times  # noqa: E402 -- see above
from models.layout import record  # noqa: E402 -- see above
from models.parameters import FALSE_ALARMS_PER_H  # noqa: E402 -- see above
from models.thermal_parameters import ERROR_SD_K  # noqa: E402 -- see above
from simulator.plan import Registration  # noqa: E402 -- see above
from simulator.sensors import Position  # noqa: E402 -- see above
from tests.bench.diagnosis.detectability import (  # noqa: E402 -- see above
    chance,
    known,
    learned,
    of_temperatures,
)
from tests.bench.diagnosis.draw import Trial, ask_for_trucks, seed_of, trial  # noqa: E402 -- see above
from tests.bench.diagnosis.duties import Drive  # noqa: E402 -- see above
from tests.bench.diagnosis.judge import course_of  # noqa: E402 -- see above
from tests.bench.diagnosis.twins import (  # noqa: E402 -- see above
    BIN_S,
    Seen,
    Twins,
    Until,
    drive_twins,
    seen_until_s,
)

Job = TypeVar("Job")
Found = TypeVar("Found")

MODEL_SDS_K = (1.0, 2.0, 4.0)
"""What a model of the fluid may get wrong, one standard deviation [K]; own choice: the bench's trucks have
nodes, play and lags that no simple model has. Three, because the bound hangs on it."""

BLIND = 3.0
"""By how much more a model errs that hears neither load nor torque [-]; own choice."""

LONGEST = 1_000
"""Trucks of a seed that are looked through for those a target speaks of."""

WITHIN_S = 180.0
"""How soon after it is plain a stuck valve is to be told [s of driving]."""

BY_TEMPERATURE = "the same, from temperatures alone"

WHERE: Mapping[Position, str] = {
    "sump": "in the sump",
    "converter_out": "beyond the converter",
    "cooler_line": "in the cooler's line",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """A target that may be out of reach: which trucks it speaks of, and until when they must be found."""

    name: str
    asked: float
    label: str
    until: Until
    slip_told: bool | None = None
    position: Position | None = None
    temperatures_only: bool = False

    @property
    def of(self) -> Hashable:
        """The trucks and the time: aims that have these in common share the driving."""
        return self.label, self.until, self.slip_told, self.position

    def speaks_of(self, one: Trial) -> bool:
        told, position = "lockup_slip_rpm" in one.plan.fit.signals, one.plan.fit.position
        return (
            one.label == self.label
            and self.slip_told in (None, told)
            and self.position in (None, position)
        )


def _tows(one: Trial, plain_s: float) -> bool:
    return any(drive.loaded and drive.end_s > plain_s for drive in one.drives)


def soon_after_plain(one: Trial, seen: Seen) -> float | None:
    """Three minutes of driving after the fault is plain, if it tows after."""
    if not _tows(one, seen.plain_s):
        return None
    left_s = WITHIN_S
    for drive in one.drives:
        rest_s = drive.end_s - max(drive.start_s, seen.plain_s)
        if rest_s >= left_s:
            return drive.end_s - rest_s + left_s
        left_s -= max(0.0, rest_s)
    return None


def nth_drive_end(drives: Sequence[Drive], since_s: float, count: int) -> float | None:
    """Give the end of the n-th drive that saw the time since then [s]; None: there are not so many."""
    ends = [drive.end_s for drive in drives if drive.end_s > since_s]
    return float(ends[count - 1]) if len(ends) >= count else None


def third_drive(one: Trial, seen: Seen) -> float | None:
    """The end of the third drive that saw the fault."""
    return nth_drive_end(one.drives, seen.shows_s, 3)


def second_loaded(one: Trial, seen: Seen) -> float | None:
    """The end of the second loaded drive that saw the fault."""
    return nth_drive_end([drive for drive in one.drives if drive.loaded], seen.shows_s, 2)


def to_the_end(one: Trial, seen: Seen) -> float | None:
    """The end of the last drive."""
    return None if math.isinf(seen.shows_s) else float(one.drives[-1].end_s)


def plain_to_the_end(one: Trial, seen: Seen) -> float | None:
    """The end of the last drive, if the fault is plain and the truck tows after."""
    return float(one.drives[-1].end_s) if _tows(one, seen.plain_s) else None


def before_spent(one: Trial, seen: Seen) -> float | None:
    """When the fluid is spent, or the end of the last drive; if it is plain and the truck tows."""
    end_s = float(one.drives[-1].end_s)
    if not _tows(one, seen.plain_s) or (math.isinf(seen.spent_s) and seen.now_s < end_s):
        return None
    return min(seen.spent_s, end_s)


AIMS = (
    Aim(
        name="bypass stuck: within 3 min after it is plain (median)",
        asked=0.5,
        label="bypass stuck",
        until=soon_after_plain,
    ),
    *(
        Aim(
            name=f"bypass stuck, plain and under load, read {where}: {what}",
            asked=0.99,
            label="bypass stuck",
            until=until,
            position=position,
        )
        for until, what in (
            (plain_to_the_end, "ever"),
            (before_spent, "before 5 min above 130 °C"),
        )
        for position, where in WHERE.items()
    ),
    Aim(
        name="stuck to cooler: within three drives",
        asked=0.95,
        label="stuck to cooler",
        until=third_drive,
    ),
    Aim(
        name="cooler starved by half: within two loaded drives",
        asked=0.9,
        label="starved by half",
        until=second_loaded,
    ),
    Aim(
        name="lockup slip, no slip signal",
        asked=0.7,
        label="lockup slip",
        until=to_the_end,
        slip_told=False,
    ),
    Aim(
        name=BY_TEMPERATURE,
        asked=0.7,
        label="lockup slip",
        until=to_the_end,
        slip_told=False,
        temperatures_only=True,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """Of one truck: separations ``d'`` [-] and chances to be found [-], known and by model error."""

    separations: tuple[float, ...]
    chances: tuple[float, ...]


def bound(one: Trial, twins: Twins, *, temperatures_only: bool) -> Bound:
    """Bound what can be found of a truck's fault."""
    seen = of_temperatures(twins) if temperatures_only else twins
    blind, untold = unheard(one)
    times = BLIND if blind else 1.0
    separations = (
        known(seen),
        *(learned(seen, model_sd_k=times * sd_k) for sd_k in MODEL_SDS_K),
        learned(seen, model_sd_k=own_sd_k(one.plan.registration, seen, untold=untold)),
    )
    allowed = allowed_of(twins)
    chances = tuple(chance(separation, allowed) for separation in separations)
    return Bound(separations=separations, chances=chances)


def unheard(one: Trial) -> tuple[bool, bool]:
    """Say whether neither load nor torque is told, and whether anything of the heat must be guessed."""
    signals = set(one.plan.fit.signals)
    blind = not {"engine_load_pct", "engine_torque_nm"} & signals
    return blind, blind or "lockup" not in signals


def allowed_of(twins: Twins) -> float:
    """Give the allowed probability of a false alarm while a truck is driven with its fault [-]."""
    return FALSE_ALARMS_PER_H * max(twins.driven_h, BIN_S / 3600.0)


def own_sd_k(told: Registration, twins: Twins, *, untold: bool) -> NDArray[np.float64]:
    """Say by how much our own model errs in each reading, as it has it itself [K], shape (n,)."""
    circuit = record(course_of(told).params).thermal.bank.circuit
    times = [
        error_times(circuit, (UNTOLD if untold else 1.0) * kw, celsius)
        for kw, celsius in zip(twins.converter_kw, twins.sump_c, strict=True)
    ]
    return ERROR_SD_K[told.truck_class] * np.array(times)


def numbers_of(aim: Aim, seed: int, numbers: Iterable[int] = range(LONGEST)) -> Iterator[int]:
    """Give the numbers of the trucks that an aim speaks of."""
    return (number for number in numbers if aim.speaks_of(trial(seed, number)))


def bounds_of(job: tuple[int, int], aims: Sequence[Aim]) -> list[Bound]:
    """Drive one truck and bound it for aims that differ in what they look at only."""
    one = trial(*job)
    end_s = seen_until_s(one, aims[0].until)
    if end_s is None:
        return []
    twins = drive_twins(one, end_s)
    return [bound(one, twins, temperatures_only=aim.temperatures_only) for aim in aims]


def first_found(
    of: Callable[[Job], Found | None], todo: Iterable[Job], jobs: int, most: int | None = None
) -> list[Found]:
    """Look at trucks in so many processes; give what there is to say of the first ``most`` (None: of all)."""
    with multiprocessing.Pool(jobs) as pool:
        return list(islice(filter(None, pool.imap(of, todo)), most))


def measured(
    seed: int, trucks: int, jobs: int, *, only: str = ""
) -> Iterator[tuple[Aim, list[Bound]]]:
    """Give each aim with the bounds of the first trucks that it speaks of; ``only``: of these labels."""
    chosen = [aim for aim in AIMS if only in aim.label]
    for of in dict.fromkeys(aim.of for aim in chosen):
        aims = [aim for aim in chosen if aim.of == of]
        todo = [(seed, number) for number in numbers_of(aims[0], seed)]
        found = first_found(partial(bounds_of, aims=aims), todo, jobs, trucks)
        for place, aim in enumerate(aims):
            yield aim, [bounds[place] for bounds in found]


def table(rows: Iterable[tuple[Aim, list[Bound]]]) -> str:
    """Write the bounds as a table for people (Markdown)."""
    heads = ["known", *(f"learned, model wrong by {sd_k:g} K" for sd_k in MODEL_SDS_K)]
    heads.append("learned, model as wrong as ours")
    lines = [
        "| fault, and until when it is to be found | trucks | asked | "
        + " | ".join(heads)
        + " |",
        "|" + "---|" * (3 + len(heads)),
    ]
    for aim, bounds in rows:
        cells = [aim.name, str(len(bounds)), f"{aim.asked:.0%}"]
        for place in range(len(heads) if bounds else 0):
            share = np.mean([one.chances[place] for one in bounds])
            middle = np.median([one.separations[place] for one in bounds])
            cells.append(f"{share:.0%}, d' {middle:.1f}")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> int:
    """Drive, bound and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.diagnosis.bound")
    parser.add_argument("--trucks", type=int, default=16, help="trucks of each kind of fault")
    parser.add_argument("--only", default="", help='faults with this in their name ("starved")')
    ask_for_trucks(parser)
    asked = parser.parse_args()
    seed = seed_of(asked)
    began = time.perf_counter()
    text = table(measured(seed, asked.trucks, asked.jobs, only=asked.only))
    took_s = time.perf_counter() - began
    sys.stdout.write(f"bench.diagnosis.bound: seed {seed}; {took_s:.0f} s\n\n{text}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
