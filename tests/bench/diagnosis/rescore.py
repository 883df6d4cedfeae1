"""Judge noted trucks with the bank as it is now: ``python -m tests.bench.diagnosis.rescore FOLDER``.

What the bank was given of each tuning truck (``tests.bench.diagnosis.windows``) is kept in the folder, once
it has been driven; judging it again takes a hundredth of that. The notes hold as long as nothing changes but
the bank, what it rests on, and the detectors of the circuit. Detectors are asked once a window: delays come
out up to half a minute too long.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.compiled import compiled  # noqa: E402 -- see above
from models.detectors import DETECTORS  # noqa: E402 -- see above
from models.hypotheses import HEALTHY  # noqa: E402 -- see above
from models.kernel import EVENT, STATE, chain, stage_of  # noqa: E402 -- see above
from models.layout import blank, record  # noqa: E402 -- see above
from models.thermal import judge  # noqa: E402 -- see above
from tests.bench.diagnosis import measure, windows  # noqa: E402 -- see above
from tests.bench.diagnosis.draw import HEALTHY_SHARE, TUNING_SEED  # noqa: E402 -- see above
from tests.bench.diagnosis.judge import PROBE_S, came, course_of  # noqa: E402 -- see above
from tests.bench.diagnosis.outcome import Alarm, Outcome, Stated  # noqa: E402 -- see above
from tests.bench.diagnosis.report import report  # noqa: E402 -- see above
from tests.bench.diagnosis.road import START_MS  # noqa: E402 -- see above
from tests.bench.diagnosis.table import table  # noqa: E402 -- see above
from tests.bench.diagnosis.windows import Driven  # noqa: E402 -- see above

MOST_EVENTS = 4000

_ask = chain(
    [stage_of(place, one) for place, one in enumerate(DETECTORS) if one.kind in windows.BY_BANK]
)


@compiled
def _rerun(
    params: Any,
    state: Any,
    state_raw: Any,
    given: Any,
    given_raw: Any,
    events: Any,
    healthy: NDArray[np.float64],
) -> int:
    """Give the bank what it was given and ask the detectors after each; say how many events came."""
    count = 0
    truck = state.truck
    for place in range(len(given)):
        row = given[place]
        windows.hand_over(params, truck, state_raw, given_raw, place)
        slip_told = row.slip_told == 1
        judge(params.thermal, truck.thermal, truck.latest, row.sensor_off, slip_told, row.what)
        healthy[place] = truck.thermal.p[HEALTHY]
        count = _ask(params, state, events, count)
    return count


def rejudged(one: Driven) -> Outcome:
    """Judge one truck with the bank as it is now."""
    state, events, healthy = blank(STATE), blank(EVENT, MOST_EVENTS), np.zeros(len(one.given))
    params = record(course_of(one.registration).params)
    count = _rerun(
        params,
        record(state),
        windows.raw(state),
        one.given.view(np.recarray),
        windows.raw(one.given),
        events.view(np.recarray),
        healthy,
    )
    alarms = [*one.outcome.alarms[measure.DETECTORS], *came(events[:count])]
    by_judge: dict[str, tuple[Alarm, ...]] = dict.fromkeys(measure.JUDGES, ())
    by_judge[measure.DETECTORS] = tuple(sorted(alarms, key=lambda alarm: alarm.second))
    return replace(one.outcome, alarms=by_judge, stated=_stated(one.given, healthy))


def _stated(given: NDArray[Any], healthy: NDArray[np.float64]) -> tuple[Stated, ...]:
    """Take what was held likely at the last window of each span of ``PROBE_S``."""
    seconds = (given["view"]["time_ms"] - START_MS) / 1000.0
    last = np.flatnonzero(np.diff(seconds // PROBE_S, append=np.inf))
    return tuple(
        Stated(second=float(seconds[at]), probability=1.0 - float(healthy[at])) for at in last
    )


def _judged(folder: Path, task: measure.Task) -> Outcome:
    return rejudged(windows.kept(windows.keep(folder, task)))


def main(arguments: Sequence[str] | None = None) -> int:
    """Note what is not noted yet, judge all and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the notes are kept")
    parser.add_argument("--first", type=int, default=0, help="number of the first truck")
    parser.add_argument("--trucks", type=int, default=100, help="how many")
    parser.add_argument("--healthy", action="store_true", help="no truck fails")
    parser.add_argument("--known", type=int, default=0, help="days driven before")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args(arguments)
    asked.folder.mkdir(parents=True, exist_ok=True)
    share = 1.0 if asked.healthy else HEALTHY_SHARE
    numbers = range(asked.first, asked.first + asked.trucks)
    todo = [
        measure.Task(seed=TUNING_SEED, number=one, healthy_share=share, known_days=asked.known)
        for one in numbers
    ]
    with multiprocessing.Pool(asked.jobs) as pool:
        found = pool.map(partial(_judged, asked.folder), todo, chunksize=4)
    sys.stdout.write(table(report(found)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
