"""Measure and print: ``python -m tests.bench``. Compare within one run only; machines differ."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from tests.bench import pages  # noqa: E402 -- see above
from tests.bench.machine import describe  # noqa: E402 -- see above
from tests.bench.stages import stages  # noqa: E402 -- see above
from tests.bench.whole import Load, measure, report  # noqa: E402 -- see above


def main() -> int:
    """Run every load and print its lines."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--messages", type=int, default=20_000, help="of each load")
    asked = parser.parse_args()
    sys.stdout.write(f"{describe()}\n")
    for samples in (1, 10):
        load = Load(messages=asked.messages, samples=samples)
        with TemporaryDirectory(prefix="heatbook-bench-") as folder:
            rates = measure(Path(folder), load, rounds=asked.rounds)
            sys.stdout.write(f"{report(load, rates)}\n")
            for stage, rate in stages(Path(folder), load, rounds=asked.rounds).items():
                sys.stdout.write(
                    f"bench.stage: {stage}, {samples} sample(s) a message: {rate:,.0f} "
                    f"messages/s, {rate / rates.nothing:.2f} of the client that only "
                    "acknowledges\n"
                )
            sys.stdout.flush()
    with TemporaryDirectory(prefix="heatbook-bench-") as folder:
        few, many = pages.costs(Path(folder), rounds=asked.rounds)
    sys.stdout.write(f"{pages.report(few, many)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
