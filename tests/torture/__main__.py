"""Run the fault experiments and print a line for each: ``python -m tests.torture``."""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from pathlib import Path
from tempfile import TemporaryDirectory

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.kernel import warm_up  # noqa: E402 -- see above
from tests.bench.machine import describe  # noqa: E402 -- see above
from tests.torture.experiments import FULL, SHORT, Run  # noqa: E402 -- see above
from tests.torture.figures import Figure  # noqa: E402 -- see above
from tests.torture.table import Row, load_of_machine, markdown  # noqa: E402 -- see above


def main() -> int:
    """Run what is asked for; 1 when something does not hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.torture", description=__doc__)
    parser.add_argument("names", nargs="*", help=f"of {', '.join(FULL)}; default: all")
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same faults")
    parser.add_argument("--short", action="store_true", help="the form that the tests run")
    parser.add_argument("--keep", type=Path, help="keep stores and logs in this folder")
    parser.add_argument("--table", type=Path, help="write the table of figures to this file")
    asked = parser.parse_args()
    runs = SHORT if asked.short else FULL
    unknown = sorted(set(asked.names) - set(runs))
    if unknown:
        parser.error(f"no experiment is named {', '.join(unknown)}")
    machine = describe()
    sys.stdout.write(f"{machine}\n")
    warm_up()  # here, so that no experiment waits in vain for a daemon that compiles
    with TemporaryDirectory(prefix="heatbook-torture-") as temporary:
        folder = asked.keep or Path(temporary)
        rows = [
            _run(name, runs[name], folder / name, asked.seed, short=asked.short)
            for name in asked.names or runs
        ]
    table = markdown(rows, machine, load_of_machine())
    sys.stdout.write(f"\n{table}")
    if asked.table is not None:
        asked.table.write_text(table, encoding="utf-8")
    return 0 if all(row.figure.fine for row in rows) else 1


def _run(name: str, run: Run, folder: Path, seed: int, *, short: bool) -> Row:
    """Run one experiment and print its line."""
    began = time.monotonic()
    try:
        found = run(folder, seed)
    except Exception:  # noqa: BLE001 - the others are run all the same, and this one does not hold
        said = traceback.format_exc()
        found = Figure(line=f"torture.{name}: ended early", fine=False, problems=(said,))
    took_s = time.monotonic() - began
    sys.stdout.write(f"{found.line} ({took_s:.0f} s, {load_of_machine()})\n")
    for problem in () if found.fine else found.problems:
        sys.stdout.write(f"  {problem}\n")
    sys.stdout.write("" if found.fine else "  DOES NOT HOLD\n")
    sys.stdout.flush()
    return Row(name=name, figure=found, seed=seed, took_s=took_s, short=short)


if __name__ == "__main__":
    sys.exit(main())
