"""Score the diagnosis of the cooling circuit: ``python -m tests.bench.diagnosis``."""

from __future__ import annotations

import argparse
import json
import sys
import time

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from tests.bench.diagnosis.draw import ask_for_trucks, seed_of  # noqa: E402 -- see above
from tests.bench.diagnosis.measure import outcomes, tasks  # noqa: E402 -- see above
from tests.bench.diagnosis.report import plain, report, trucks  # noqa: E402 -- see above
from tests.bench.diagnosis.table import table  # noqa: E402 -- see above


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.diagnosis", description=__doc__
    )
    parser.add_argument("--days", type=int, default=4_000, help="truck-days to simulate")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--healthy", action="store_true", help="no truck fails: for the rate of false alarms"
    )
    parser.add_argument(
        "--known", type=int, default=0, help="days that each truck has been driven before"
    )
    ask_for_trucks(parser)
    asked = parser.parse_args()
    seed = seed_of(asked)
    began = time.perf_counter()
    todo = tasks(seed, asked.days, healthy=asked.healthy, known_days=asked.known)
    found = list(outcomes(todo, jobs=asked.jobs))
    scores = report(found)
    took_s = time.perf_counter() - began
    if asked.json:
        whole = {
            "seed": seed,
            "took_s": round(took_s, 1),
            **plain(scores),
            "trucks": trucks(found),
        }
        sys.stdout.write(f"{json.dumps(whole, indent=1, ensure_ascii=False)}\n")
        return 0
    sys.stdout.write(
        f"bench.diagnosis: seed {seed} ({'tuning' if asked.tuning else 'reported'}), "
        f"{scores.truck_days:,} truck-days, {scores.running_h:,.0f} driving hours, "
        f"{scores.healthy} healthy and {scores.faulty} faulty trucks, "
        f"known for {asked.known} days; {took_s:.0f} s, {asked.jobs} processes\n\n{table(scores)}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
