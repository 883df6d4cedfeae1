"""The power-cut model as an experiment, and its controls: a check that cannot fail would show nothing."""

from __future__ import annotations

from pathlib import Path

from tests.torture.figures import Figure, told
from tests.torture.power.cuts import cut_everywhere
from tests.torture.power.recording import record

CONTROL_CUTS = 20
"""Cuts that a control makes do with: it shows that losses are found, not how many there are."""


def power_cut(
    folder: Path, seed: int, *, samples: int, rate: float, lives: int, every: int
) -> Figure:
    """Record a daemon's lives, cut the power at each ``every``-th change of its disk."""
    recording = record(folder, seed, samples=samples, rate=rate, lives=lives)
    outcome = cut_everywhere(recording, seed, every=every)
    lying = cut_everywhere(
        recording, seed, every=max(every, outcome.cuts * every // CONTROL_CUTS), syncs=False
    )
    return told(
        "power_cut",
        faults=f"{outcome.cuts} cuts, {len(recording.calls)} calls, {lives} starts",
        found=(
            f"{outcome.images} images, {outcome.different} of them different",
            f"{recording.ledger.recorded} samples, {len(recording.promises)} promises",
            *outcome.words,
            f"{outcome.months} archived months read back",
            f"control, a disk that lies about syncs: {lying.lost} lost, {lying.damaged} damaged",
        ),
        seed=seed,
        fine=outcome.fine and outcome.months > 0 and lying.lost > 0 and lying.damaged > 0,
        problems=outcome.problems,
    )


def power_cut_normal(
    folder: Path, seed: int, *, samples: int, rate: float, lives: int, every: int
) -> Figure:
    """Do the same to a store that does not wait for the disk: the check must find what that costs."""
    recording = record(
        folder, seed, samples=samples, rate=rate, lives=lives, synchronous="normal"
    )
    outcome = cut_everywhere(recording, seed, every=every)
    return told(
        "power_cut_normal",
        faults=f'synchronous = "normal": {outcome.cuts} cuts',
        found=(f"{outcome.images} images", *outcome.words, "losses are expected here"),
        seed=seed,
        # What SQLite says of it in pragma.html: the last commits may go, nothing is damaged.
        fine=outcome.lost > 0 and not outcome.damaged,
        problems=outcome.problems,
    )
