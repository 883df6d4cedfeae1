"""The power cut, tried at every write of a recorded life: what was promised must be there, and whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from tests.torture.ledger import Ledger, time_ms
from tests.torture.power.leftover import Examiner, Left, in_memory
from tests.torture.power.medium import STYLES, Medium, Style
from tests.torture.power.promises import Promise
from tests.torture.power.recording import Recording

MOST_PROBLEMS = 20


@dataclass(slots=True)
class Outcome:
    """What came of all cuts; a promise is counted as lost once for each image that breaks it."""

    cuts: int = 0
    images: int = 0
    different: int = 0
    months: int = 0
    lost: int = 0
    unsafe: int = 0
    notices: int = 0
    doubled: int = 0
    altered: int = 0
    damaged: int = 0
    problems: list[str] = field(default_factory=list)

    @property
    def words(self) -> tuple[str, ...]:
        """What was found, for the line."""
        return (
            f"{self.lost} acknowledged samples lost",
            f"{self.unsafe} lost that were called safe",
            f"{self.notices} notices forgotten",
            f"{self.doubled} doubled",
            f"{self.altered} altered",
            f"{self.damaged} damaged",
        )

    @property
    def fine(self) -> bool:
        """Whether nothing is amiss in any image."""
        amiss = (self.lost, self.unsafe, self.notices, self.doubled, self.altered, self.damaged)
        return not any(amiss)


class Owed:
    """What is promised so far."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self.samples: dict[str, set[int]] = {}
        self.safe: dict[str, set[int]] = {}
        self.notices: set[str] = set()

    def add(self, promise: Promise) -> None:
        """Take up one more."""
        if promise.kind == "sample":
            self.samples.setdefault(promise.who, set()).add(promise.number)
        elif promise.kind == "notice":
            self.notices.add(promise.who)
        else:
            sent = self._ledger.trucks[promise.who].samples
            self.safe.setdefault(promise.who, set()).update(
                time_ms(sample) for seq, sample in sent.items() if seq <= promise.number
            )


def cut_everywhere(
    recording: Recording,
    seed: int,
    *,
    every: int,
    styles: Sequence[Style] = STYLES,
    syncs: bool = True,
) -> Outcome:
    """Cut at each ``every``-th change of the disk; ``syncs`` False: the disk lies about them."""
    rng = Random(f"{seed}/power")
    outcome = Outcome()
    with TemporaryDirectory(prefix="heatbook-power-", dir=in_memory()) as scratch:
        examiner = Examiner(recording.config, recording.ledger, Path(scratch) / "image")
        owed = Owed(recording.ledger)
        for number, medium in enumerate(_moments(recording, owed, syncs=syncs)):
            if number % every:
                continue
            outcome.cuts += 1
            for style in styles:
                left = examiner.look(medium.image(style, rng))
                outcome.images += 1
                _compare(outcome, f"cut {number}, {style}", left, owed)
        outcome.different = examiner.different
    return outcome


def _moments(recording: Recording, owed: Owed, *, syncs: bool) -> Iterator[Medium]:
    """Give the disk right before each change, with all owed that was promised by then, and at the end."""
    rehearsal = Medium(recording.root, syncs=syncs)
    changes = [rehearsal.feed(call) for call in recording.calls]
    medium = Medium(recording.root, syncs=syncs)
    coming = iter(recording.promises)
    promise = next(coming, None)
    for call, changing in zip(recording.calls, changes, strict=True):
        while promise is not None and promise.at < Medium.order(call):
            owed.add(promise)
            promise = next(coming, None)
        if changing:
            yield medium
        medium.feed(call)
    while promise is not None:
        owed.add(promise)
        promise = next(coming, None)
    yield medium


def _compare(outcome: Outcome, where: str, left: Left, owed: Owed) -> None:
    """Count what is amiss in one image."""
    lost = sum(len(own - left.times.get(name, set())) for name, own in owed.samples.items())
    unsafe = sum(len(own - left.times.get(name, set())) for name, own in owed.safe.items())
    forgotten = len(owed.notices - left.notices)
    outcome.lost += lost
    outcome.unsafe += unsafe
    outcome.notices += forgotten
    outcome.doubled += left.doubled
    outcome.altered += left.altered
    outcome.damaged += bool(left.damage)
    outcome.months = max(outcome.months, left.months)
    words = (
        *left.damage,
        *([f"{lost} acknowledged samples lost"] if lost else ()),
        *([f"{unsafe} samples lost that were called safe"] if unsafe else ()),
        *([f"{forgotten} notices forgotten that were sent"] if forgotten else ()),
        *([f"{left.doubled} samples doubled"] if left.doubled else ()),
        *([f"{left.altered} samples altered"] if left.altered else ()),
    )
    if words and len(outcome.problems) < MOST_PROBLEMS:
        outcome.problems.append(f"{where}: {'; '.join(words)}")
