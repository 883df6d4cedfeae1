"""Fuzz one target: ``python -m tests.fuzz.one NAME FOLDER FOUND SECONDS SEED``; what is reached leads on."""

from __future__ import annotations

import sys

import atheris  # type: ignore[import-untyped] # it ships none

# The compiler of models/ reads its own code: it must find it as it was written.
with atheris.instrument_imports(include=["ingest", "alerts", "deploy", "review"]):
    from tests.fuzz.targets import TARGETS


def main() -> None:
    """Run; the library ends the process."""
    name, folder, found, seconds, seed = sys.argv[1:]
    target = TARGETS[name]
    atheris.Setup(
        [
            sys.argv[0],
            folder,
            f"-artifact_prefix={found}/",
            f"-max_total_time={seconds}",
            f"-seed={seed}",
            f"-max_len={target.longest}",
            "-rss_limit_mb=2048",
            "-timeout=20",
            "-print_final_stats=1",
        ],
        target.check,
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
