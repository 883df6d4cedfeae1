"""Replay one seed of the simulation: ``python -m tests.torture.simulation --seed N``."""

from __future__ import annotations

import argparse
import sys

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from tests.torture.simulation.run import simulate  # noqa: E402 -- see above


def main() -> int:
    """Run seeds; 1 when something does not hold."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.torture.simulation", description=__doc__
    )
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same run")
    parser.add_argument("--seeds", type=int, default=1, help="so many from that one on")
    asked = parser.parse_args()
    fine = True
    for seed in range(asked.seed, asked.seed + asked.seeds):
        outcome = simulate(seed)
        did = ", ".join(f"{name} {count}" for name, count in sorted(outcome.did.items()))
        sys.stdout.write(f"seed {seed}: trace {outcome.trace[:16]}, {did}\n")
        for problem in outcome.problems:
            sys.stdout.write(f"  {problem}\n")
        sys.stdout.flush()
        fine = fine and not outcome.problems
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
