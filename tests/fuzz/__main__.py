"""``make fuzz``: each target for a part of the time; prints what was tried, keeps what reaches more."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.kept import FOUND, corpus, fewest, keep, steps
from tests.fuzz.targets import TARGETS, Target


def main() -> int:
    """Fuzz; give 1 where something was found that does not hold."""
    parser = argparse.ArgumentParser(prog="make fuzz ARGS=")
    parser.add_argument("targets", nargs="*", metavar="TARGET", help="; ".join(TARGETS))
    parser.add_argument("--seconds", type=int, default=600, help="for all of them together")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    names = given.targets or list(TARGETS)
    each_s = max(1, given.seconds // len(names))
    sys.stdout.write(
        "| target | tried | edges reached | steps reached | kept | bytes | found |\n"
    )
    sys.stdout.write("|---|---|---|---|---|---|---|\n")
    found = [_fuzz(name, TARGETS[name], each_s, given.seed) for name in names]
    return int(any(found))


def _fuzz(name: str, target: Target, seconds: int, seed: int) -> bool:
    broken = FOUND / name
    before = set(broken.glob("*"))
    with tempfile.TemporaryDirectory(prefix="heatbook-fuzz-") as made:
        folder = Path(made) / "corpus"
        folder.mkdir()
        for number, data in enumerate({*target.seeds, *corpus(name)}):
            (folder / f"seed-{number}").write_bytes(data)
        broken.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "tests.fuzz.one", name, str(folder), str(broken)]
        command += [str(seconds), str(seed)]
        ran = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
        told = ran.stderr
        inputs = [file.read_bytes() for file in folder.glob("*")]
    new = set(broken.glob("*")) - before
    if not any(broken.iterdir()):
        broken.rmdir()
    good = [data for data in inputs if _holds(target, data)]
    shortest = fewest(target.check, good)
    size = keep(name, shortest)
    reached = len(set().union(*(steps(target.check, each) for each in shortest)))
    tried = re.findall(r"number_of_executed_units:\s*(\d+)", told)
    edges = re.findall(r"cov: (\d+)", told)
    sys.stdout.write(
        f"| {name} | {int(tried[-1]) if tried else 0:,} | {edges[-1] if edges else '?'} | {reached:,} "
        f"| {len(shortest)} | {size:,} | {len(new)} |\n"
    )
    sys.stdout.flush()
    failed = bool(new) or not tried
    if failed:
        sys.stderr.write(told[-4000:])
    return failed


def _holds(target: Target, data: bytes) -> bool:
    try:
        target.check(data)
    except Exception:  # noqa: BLE001 - it was told, and lies among what was found
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
