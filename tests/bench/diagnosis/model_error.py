"""How far a truck's model is off when no reading helps: ``python -m tests.bench.diagnosis.model_error``.

Over sound trucks that were noted (``tests.bench.diagnosis.rescore FOLDER``), in their third and fourth day:
the healthy filter's state is taken as it is, run on with the signals alone for a quarter of an hour, and held
against the reading. This is what the bound (``tests.bench.diagnosis.bound``) calls a model that is wrong.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.circuit import EXTRA, STATES, read_at, run  # noqa: E402 -- see above
from models.compiled import compiled  # noqa: E402 -- see above
from models.expectation import TRUSTED_FROM  # noqa: E402 -- see above
from models.hypotheses import HEALTHY  # noqa: E402 -- see above
from models.kernel import STATE  # noqa: E402 -- see above
from models.layout import blank, record  # noqa: E402 -- see above
from models.priors import EXTRA_TAU_S  # noqa: E402 -- see above
from models.thermal import CLOSE, judge, judge_window  # noqa: E402 -- see above
from models.window import clear  # noqa: E402 -- see above
from tests.bench.diagnosis import windows  # noqa: E402 -- see above
from tests.bench.diagnosis.detectability import MODEL_S  # noqa: E402 -- see above
from tests.bench.diagnosis.judge import course_of  # noqa: E402 -- see above
from tests.bench.diagnosis.road import START_MS  # noqa: E402 -- see above
from tests.bench.diagnosis.windows import Driven  # noqa: E402 -- see above

KNOWN_FROM_S = 2 * 86_400
"""The truck's own values have been learned by then [s]: two of its four days."""


@compiled
def _errors(
    params: Any,
    state: Any,
    state_raw: Any,
    given: Any,
    given_raw: Any,
    known_ms: int,
    off_k: NDArray[np.float64],
) -> int:
    """Give the error at the end of each quarter of an hour run on without a reading; say how many."""
    thermal, view = state.truck.thermal, state.truck.latest
    circuit = params.thermal.bank.circuit
    x, valve = np.empty(STATES), np.empty(2)
    run_s, count = -1.0, 0
    for place in range(len(given)):
        row = given[place]
        windows.hand_over(params, state.truck, state_raw, given_raw, place)
        if row.what != CLOSE:
            judge(params.thermal, thermal, view, row.sensor_off, row.slip_told == 1, row.what)
            run_s = -1.0
            continue
        judge_window(params.thermal, thermal, view, row.sensor_off)
        duty = thermal.window.duty
        if run_s >= 0.0:
            run(circuit, HEALTHY, duty, x, valve)
            x[EXTRA] *= math.exp(-duty[0] / EXTRA_TAU_S)
            run_s += duty[0]
        if run_s >= MODEL_S:
            off_k[count] = view.fluid_c - x[read_at(circuit)]
            count += 1
            run_s = -1.0
        if run_s < 0.0 and view.time_ms >= known_ms and thermal.bank.p[HEALTHY] > TRUSTED_FROM:
            x[:] = thermal.bank.x[0:STATES]
            valve[:] = thermal.bank.valve[0:2]
            run_s = 0.0
        clear(thermal.window)
    return count


def errors_k(one: Driven) -> NDArray[np.float64]:
    """Give the errors of one truck [K], shape (n,)."""
    state, off_k = blank(STATE), np.zeros(len(one.given))
    count = _errors(
        record(course_of(one.registration).params),
        record(state),
        windows.raw(state),
        one.given.view(np.recarray),
        windows.raw(one.given),
        START_MS + 1000 * KNOWN_FROM_S,
        off_k,
    )
    return off_k[:count]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print, by class, the spread of the errors: over all quarters, and of the better and the worse truck."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the notes are kept")
    asked = parser.parse_args(arguments)
    by_class: dict[str, list[NDArray[np.float64]]] = {}
    for path in sorted(asked.folder.iterdir()):
        one = windows.kept(path)
        told = one.registration
        if one.outcome.label or not one.outcome.whole or told.sensor != "sump":
            continue
        off_k = errors_k(one)
        if len(off_k):
            by_class.setdefault(told.truck_class, []).append(off_k)
    for truck_class, trucks in sorted(by_class.items()):
        each = [float(np.sqrt(np.mean(one**2))) for one in trucks]
        every = np.concatenate(trucks)
        half, most = np.quantile(each, (0.5, 0.9))
        sys.stdout.write(
            f"{truck_class}: {len(trucks)} trucks, {len(every)} quarters of an hour, "
            f"{np.sqrt(np.mean(every**2)):.2f} K; a truck {half:.2f} K (median), {most:.2f} K "
            "(one in ten is worse)\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
