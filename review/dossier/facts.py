"""What a review holds: facts alone, in SI units, as they were up to its end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alerts.history import Happening
from alerts.ledger import Alarm
from alerts.sending import Attempt
from ingest.record import Entry
from models.fleet import Fluid, Vehicle
from models.statement import Statement
from review.what_if import Answer

Times = NDArray[np.int64]
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What is looked at. Times [Unix ms]; all before ``until_ms`` counts, nothing at it.

    ``first_ms``: since the gearbox went in by the record, or the first sample. ``fill_ms``: since the fluid
    did; ``dated``: somebody has said so, else it is the first sample. ``close_ms``: from here on minute by
    minute. ``last_ms``: newest sample that counted. ``replaced_ms``: the record puts another gearbox in
    at or soon after the end.
    """

    first_ms: int
    fill_ms: int
    dated: bool
    close_ms: int
    last_ms: int
    until_ms: int
    replaced_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The truck's own limits of the fluid's temperature [°C]."""

    limit_c: float
    high_c: float
    critical_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """The readings of the fluid that the account believed, with the span before each; shape (n,).

    ``span_s`` [s] is the time since the reading before, 0 where that is longer than what counts as seen;
    ``cost_s`` [s] the seconds at the reference temperature that would have aged the fluid as much.
    """

    time_ms: Times
    fluid_c: Numbers
    span_s: Numbers
    cost_s: Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """One time above the limit, from the first reading beyond it to the last.

    ``above_s`` [s] above the limit; ``cost_s`` [s at the reference temperature] from start to end;
    ``life`` that this used [-]. ``healthy_peak_c``: hottest that a healthy circuit would have shown under the
    same load [°C], ``p_fault`` the highest probability of a fault meanwhile [-]; not a number where not told.
    ``healthy_cost_s``: what the same work would have cost with a healthy circuit [s].
    """

    start_ms: int
    end_ms: int
    peak_ms: int
    peak_c: float
    above_s: float
    cost_s: float
    life: float
    this_fill: bool
    healthy_peak_c: float
    healthy_cost_s: float
    p_fault: float
    air_c: float
    heat_kw: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Time above a temperature [°C], in this fill: seen, a measurement [h], and its share of the ageing."""

    name: str
    celsius: float
    hours: float
    aged: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One departure from healthy behaviour: the kind of its first alarm, and its times [Unix ms].

    ``ended_ms``: back in its healthy behaviour; None: not before the end. ``worked_on``: it ended because the
    record says that the circuit was worked on, which begins its judgement anew.
    """

    alarm: str
    onset_ms: int
    told_ms: int
    ended_ms: int | None
    worked_on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """The departure in question. Times [Unix ms].

    ``alarm``: the kind that told first. ``trusted_ms``: last shown to be within its healthy behaviour.
    ``left_ms``: the first moment: from here on the fluid lay further from what a healthy circuit would show
    than twice what that is unsure of, or the alarm's condition held. ``doubted_ms``: since when a fault had
    been likelier than not. ``told_ms``: its evidence had passed what the rate of false alarms allows.
    ``proven_ms``: when flow through the cooler had last been proven by then. ``ended_ms`` and ``worked_on``
    as for ``Episode``. ``cause``: a place in ``models.hypotheses.NAMES``, the likeliest then, -1: not by the
    balance of heat; ``last_cause``: the likeliest the last time that a fault was sure (``last_sure_ms``).
    ``at_first``, ``at_last``: all probabilities then; ``peak``: the highest of any [-].
    """

    alarm: str
    trusted_ms: int | None
    left_ms: int
    doubted_ms: int
    told_ms: int
    last_sure_ms: int
    proven_ms: int | None
    ended_ms: int | None
    worked_on: bool
    peak: float
    cause: int
    last_cause: int
    at_first: tuple[float, ...]
    at_last: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clue:
    """One thing that was seen, with its numbers, and which causes it speaks for and against.

    ``kind`` names its words (``review.dossier.clue_words``); places of ``models.hypotheses``.
    """

    kind: str
    numbers: Mapping[str, float]
    speaks_for: tuple[int, ...]
    speaks_against: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause with its probabilities [-] and the hours in which it was the likeliest [h].

    ``last``: at the last moment that could tell; ``first``: when a fault was first sure; ``highest``.
    """

    place: int
    last: float
    first: float
    highest: float
    likeliest_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What of the ageing the work itself would have cost with a healthy circuit, in the days before.

    ``cost_s``, ``healthy_cost_s`` [s at the reference temperature]; ``told_h`` [h] in which both are known.
    ``hottest_c``, ``healthy_hottest_c`` [°C]; ``healthy_over_h`` above the limit [h]. ``heat_kw``: mean heat
    made while above the limit, ``usual_kw`` while driving otherwise; not a number where there was none.
    """

    cost_s: float
    healthy_cost_s: float
    told_h: float
    hottest_c: float
    healthy_hottest_c: float
    healthy_over_h: float
    heat_kw: float
    usual_kw: float

    @property
    def share(self) -> float:
        """Share of the ageing that a healthy circuit would have had too [-]; not a number if none."""
        return self.healthy_cost_s / self.cost_s if self.cost_s > 0.0 else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmStory:
    """An alarm with all that happened to it before the end, and every try to tell somebody."""

    alarm: Alarm
    happenings: tuple[Happening, ...]
    tries: tuple[Attempt, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """What is not known. Hours [h], distances [km]; shares of samples or of driving [-].

    ``silences``: the longest gaps while the truck was moving (start, end [Unix ms]). ``absent``: by signal,
    the share of the samples of the days before that lacked it. ``blind_h``: driving in the days before in
    which a fault would not have shown; ``driven_h`` all; ``doubted_h`` with the fluid's sensor in doubt.
    ``missing``: of the gateway's counter, values that never came, None without one. ``refused``: entries of
    this truck in quarantine. ``later``: samples came after the end, and are not counted.
    """

    unseen_h: float
    unseen_km: float
    silences: tuple[tuple[int, int], ...]
    absent: Mapping[str, float]
    blind_h: float
    driven_h: float
    doubted_h: float
    missing: int | None
    refused: int
    later: bool
    learned: float
    load_told: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What pictures show: notes of the walk (``review.dossier.walk.NOTE``) and hours of the whole life.

    ``kept``: one note a day; ``close``: one a minute of the days before, and about what was looked at
    closely; ``hour_ms`` begins each hour with readings, with the lowest, mean and highest [°C].
    """

    kept: NDArray[Any]
    close: NDArray[Any]
    hour_ms: Times
    low_c: Numbers
    mean_c: Numbers
    high_c: Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What the figures rest on: model code and the parameters that held at the end.

    ``ageing``: record ``models.ageing.AgeingParams``, shape (1,). ``scale``: how much faster than its chart
    this fluid ages by laboratory samples [-]; ``carried``: life that it brought along [-]. Seconds at the
    reference temperature that aged it [s]: ``measured_s``; estimated, ``soaked_s`` parked, ``unseen_s``.
    ``time_constant_s``: how fast it cools when parked [s]. The last three are learned of the truck.
    """

    model_version: str
    software_version: str
    fluid: Fluid
    ageing: NDArray[Any]
    max_gap_s: float
    silent_after_s: float
    false_alarms_per_h: float
    scale: float
    lab_samples: int
    carried: float
    measured_s: float
    soaked_s: float
    unseen_s: float
    time_constant_s: float
    heat_scale: float
    cooler_scale: float
    valve_shift_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """What a service left of the fluid: the share [-] of what was measured before it that still counts."""

    time_ms: int
    kind: str
    stays: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """All of it. ``record``: every entry dated before the end, superseded ones too; ``counting`` by id.

    ``episodes``: all departures; ``doubt``: probability of a fault at the end [-], ``doubted`` the likeliest.
    ``judged``: whether any drive let the circuit be judged, ``judged_h`` for how long [h].
    """

    truck: Vehicle
    vehicle_id: int
    span: Span
    limits: Limits
    basis: Basis
    account: Statement
    readings: Readings
    excursions: tuple[Excursion, ...]
    levels: tuple[Level, ...]
    departure: Departure | None
    episodes: tuple[Episode, ...]
    doubt: float
    doubted: int
    judged: bool
    judged_h: float
    causes: tuple[Cause, ...]
    clues: tuple[Clue, ...]
    coolant_cooled: bool
    duty: Duty
    alarms: tuple[AlarmStory, ...]
    record: tuple[Entry, ...]
    counting: frozenset[int]
    thinnings: tuple[Thinning, ...]
    unknown: Unknown
    course: Course
    what_if: Answer | None
    what_if_why: str
    samples: int

    @property
    def vehicle(self) -> str:
        """Its name."""
        return self.truck.name

    @property
    def title(self) -> str:
        """What people call it."""
        return self.truck.title or self.truck.name
