"""The bench runs and prints its lines; how fast is not for a test to say."""

from __future__ import annotations

import re
import subprocess
import sys

from tests.brokers import need_mosquitto


def test_the_bench_prints_rates_and_ratios() -> None:
    need_mosquitto()
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "--rounds", "1", "--messages", "300"],
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("machine: ")
    found = re.findall(r"bench\.whole_path: (\d+) sample.*ratio \d+\.\d\d", done.stdout)
    assert found == ["1", "10"]
    assert re.search(r"bench\.page: Today of 500 trucks .*; ratio \d+\.\d", done.stdout)
    assert re.search(r"bench\.board: a look at the store of 500 trucks", done.stdout)
    assert len(re.findall(r"bench\.stage: (decode|models|commit)", done.stdout)) == 8
