"""What the running daemon says of itself: the one view that health, figures and its own alarms share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from alerts.breaker import Breaker
from alerts.dispatcher import Dispatcher
from deploy.batch import Counts
from deploy.clock import monotonic_ms
from deploy.pipeline import Pipeline
from deploy.progress import Phase, Progress
from deploy.tallies import Tallies
from ingest.held import Held
from ingest.source_state import SourceState

HOUR_MS = 3_600_000

STUCK_MS = 300_000
"""A committer that has not come round for so long hangs [ms]. Above the longest honest turn: a truck that
is run again over years takes a minute on a slow machine."""

HANGS_MS = 180_000
"""The same of the network thread [ms]: three times what the source itself waits before it starts another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """The daemon at one moment; ages in milliseconds by a clock that never jumps.

    ``now_ms`` by the daemon's clock [Unix ms]. ``committing``: its committer's thread runs. ``network_ms``:
    since the network thread moved last, None where there is none. ``failing_ms``: for how long the store
    cannot be written, None while it can; ``failed_ms``: for how long at a stretch it could not, in the last
    hour. ``outcomes``: tries of notices, by channel and what came of them.
    """

    now_ms: int
    phase: Phase
    committing: bool
    turned_ms: int
    network_ms: int | None
    source: SourceState
    failing_ms: int | None
    reason: str
    failed_ms: int
    dispatching: bool
    breakers: Mapping[str, Breaker]
    disabled: frozenset[str]
    outcomes: Mapping[tuple[str, str], int]
    counts: Counts
    trucks: Mapping[str, Held]
    tallies: Tallies


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing that was looked at."""

    name: str
    good: bool
    words: str


def alive(signs: Signs) -> tuple[Check, ...]:
    """Say whether the process gets on; if it does not, starting it again is the cure.

    Pure. A broker that is away and a disk that is full are not cured by that, and count as alive.
    """
    starting = signs.phase == "starting"
    turned = signs.turned_ms < STUCK_MS
    moved = signs.network_ms is None or signs.network_ms < HANGS_MS
    return (
        Check(
            name="committer",
            good=starting or (signs.committing and turned) or signs.phase == "stopping",
            words="starting"
            if starting
            else f"last turn {signs.turned_ms / 1000:.1f} s ago"
            if signs.committing
            else "its thread has ended",
        ),
        Check(
            name="network",
            good=starting or moved,
            words="not started"
            if signs.network_ms is None
            else f"moved {signs.network_ms / 1000:.1f} s ago",
        ),
        Check(
            name="dispatcher",
            good=starting or signs.dispatching or signs.phase == "stopping",
            words="runs" if signs.dispatching else "a thread of it does not run",
        ),
    )


def well(checks: tuple[Check, ...]) -> bool:
    """Say whether all that was looked at is good."""
    return all(each.good for each in checks)


def signs_of(
    source: SourceState,
    pipeline: Pipeline,
    dispatcher: Dispatcher,
    progress: Progress,
    tallies: Tallies,
    *,
    committing: bool,
    wringing: bool,
    now_ms: int,
) -> Signs:
    """Gather the signs of a daemon's parts now; cheap but for counting what trucks have missing.

    ``wringing``: the store is written anew, which takes minutes where it is large; a committer that waits
    for that does not hang, and a daemon ended for it would only begin it again.
    """
    moved_ms = source.last_progress_ms
    return Signs(
        now_ms=now_ms,
        phase=progress.phase,
        committing=committing,
        turned_ms=0 if wringing else progress.turned_ms_ago,
        network_ms=None if moved_ms is None else max(0, monotonic_ms() - moved_ms),
        source=source,
        failing_ms=progress.failing_ms,
        reason=progress.reason,
        failed_ms=progress.failed_ms(HOUR_MS),
        dispatching=dispatcher.alive,
        breakers=dispatcher.breakers,
        disabled=dispatcher.disabled,
        outcomes=dispatcher.outcomes,
        counts=pipeline.counts,
        trucks=pipeline.trucks,
        tallies=tallies,
    )
