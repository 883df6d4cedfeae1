"""The power cut while a backup is made: what looks like a backup afterwards must be one."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from deploy.backup.rotation import backups_in
from deploy.backup.verify import verify
from deploy.courses import courses_by
from deploy.fleet import load_fleet
from deploy.settings import load_settings
from review.model_version import model_version
from tests.torture.child import COMMAND
from tests.torture.figures import Figure, told
from tests.torture.power.calls import Call, calls, traced
from tests.torture.power.leftover import in_memory, key_of, put
from tests.torture.power.medium import STYLES, Medium
from tests.torture.power.recording import record

TIMES = 2
"""The second backup shares with the first what has not changed."""


def power_cut_backup(
    folder: Path, seed: int, *, samples: int, rate: float, every: int
) -> Figure:
    """Back a store with an archive up twice, and cut the power at each ``every``-th change."""
    config = record(folder, seed, samples=samples, rate=rate, lives=2).config
    into = folder / "backups"
    into.mkdir()
    found: list[Call] = []
    done: list[int] = []  # where each backup was said to be made
    for number in range(TIMES):
        trace = folder / f"backup-{number}.strace"
        words = ("backup", "--into", str(into), "--beside-store", "--config", str(config))
        subprocess.run([*traced(trace), *COMMAND, *words], check=True, capture_output=True)  # noqa: S603
        found += calls(trace, after=found[-1].ended if found else 0)
        done.append(found[-1].ended)
    medium, rng = Medium(into), Random(f"{seed}/backups")
    cuts = images = missing = changes = 0
    with TemporaryDirectory(prefix="heatbook-power-", dir=in_memory()) as scratch:
        look = _Look(config, Path(scratch) / "image")
        for call in [*sorted(found, key=Medium.order), None]:
            changed = call is None or medium.feed(call)
            changes += changed
            if not changed or (call is not None and changes % every):
                continue
            cuts += 1
            made = TIMES if call is None else sum(Medium.order(call) > each for each in done)
            for style in STYLES:
                images += 1
                missing += max(0, made - look.whole(medium.image(style, rng)))
    return told(
        "power_cut_backup",
        faults=f"{cuts} cuts while {TIMES} backups were made",
        found=(
            f"{images} images",
            f"{look.looked} backups looked at, all accounts run again",
            f"{len(look.problems)} that are not whole",
            f"{missing} missing that were said to be made",
        ),
        seed=seed,
        fine=not look.problems and not missing and look.looked > 0,
        problems=look.problems[:20],
    )


class _Look:
    """Looks at what a cut has left of the backups' folder."""

    def __init__(self, config: Path, scratch: Path) -> None:
        settings = load_settings(config=config, env={}).settings
        assert settings.fleet.file is not None
        self._courses = courses_by(settings, load_fleet(settings.fleet.file))
        self._scratch = scratch
        self._known: dict[bytes, int] = {}
        self.looked = 0
        self.problems: list[str] = []

    def whole(self, image: Mapping[str, bytes]) -> int:
        """Count the whole backups; what looks like one and is none is a problem."""
        key = key_of(image)
        if key not in self._known:
            put(image, self._scratch)
            self._known[key] = sum(
                self._is_whole(path) for path, _ in backups_in(self._scratch)
            )
        return self._known[key]

    def _is_whole(self, path: Path) -> bool:
        self.looked += 1
        found = verify(
            path, courses=self._courses, models=model_version(), trucks=None
        ).problems
        self.problems += found
        return not found
